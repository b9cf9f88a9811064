import type { FastifyInstance } from "fastify";
import { readParameters } from "../fhir/parameters.ts";
import { eventsRules, statusRules, subscriptionEvents, subscriptionStatuses } from "../flows/subscription-answers.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { operationInput } from "./operation-input.ts";
import { refuseOtherMethods } from "./other-methods.ts";

type OfOne = { Params: { id: string } };

/** `$status` and `$events` of Subscriptions (https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/operations.html). */
export function subscriptionRoutes(app: FastifyInstance, doors: Doors): void {
  app.route({
    method: ["GET", "POST"],
    url: "/Subscription/$status",
    handler: async (request, reply) => {
      const values = answered(readParameters(statusRules, operationInput(request, doors.maxBodyBytes)));
      const base = fhirBase(doors, request);
      return reply.type(fhirJson).send(await subscriptionStatuses(request.service, request.tenantId, base, values));
    },
  });
  app.route<OfOne>({
    method: ["GET", "POST"],
    url: "/Subscription/:id/$status",
    handler: async (request, reply) => {
      answered(readParameters({}, operationInput(request, doors.maxBodyBytes)));
      const values = { id: [request.params.id], status: [] };
      const base = fhirBase(doors, request);
      return reply.type(fhirJson).send(await subscriptionStatuses(request.service, request.tenantId, base, values));
    },
  });
  app.route<OfOne>({
    method: ["GET", "POST"],
    url: "/Subscription/:id/$events",
    handler: async (request, reply) => {
      const values = answered(readParameters(eventsRules, operationInput(request, doors.maxBodyBytes)));
      const { service, tenantId, params } = request;
      const text = answered(await subscriptionEvents(service, tenantId, fhirBase(doors, request), params.id, values));
      return reply.type(fhirJson).send(text);
    },
  });
  for (const path of ["$status", ":id/$status", ":id/$events"]) {
    refuseOtherMethods(app, { [`/Subscription/${path}`]: ["GET", "POST"] });
  }
}
