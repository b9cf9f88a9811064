import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readValidation, validationOutcome } from "../fhir/validate.ts";
import { validate } from "../flows/validate-resource.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirJson } from "./fhir-answer.ts";
import { operationInput } from "./operation-input.ts";

interface Target {
  type: string;
  id?: string;
}

/** `$validate` for a type and for one resource (https://hl7.org/fhir/R4/resource-operation-validate.html). */
export function validateRoutes(app: FastifyInstance, doors: Doors): void {
  app.route<{ Params: Target }>({
    method: "POST",
    url: "/:type/$validate",
    handler: (request, reply) => sendValidation(doors, request, reply),
  });
  app.route<{ Params: Target }>({
    method: ["GET", "POST"],
    url: "/:type/:id/$validate",
    handler: (request, reply) => sendValidation(doors, request, reply),
  });
}

/** 200 whatever was found: the validation itself went well. */
async function sendValidation(
  doors: Doors,
  request: FastifyRequest<{ Params: Target }>,
  reply: FastifyReply,
): Promise<FastifyReply> {
  const level = request.params.id === undefined ? "type" : "instance";
  const asked = answered(readValidation(operationInput(request, doors.maxBodyBytes), level));
  const found = answered(await validate(request.service, request.tenantId, request.params, asked));
  return reply.type(fhirJson).send(JSON.stringify(validationOutcome(found)));
}
