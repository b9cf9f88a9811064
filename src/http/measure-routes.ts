import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readMeasureRequest } from "../fhir/measure-request.ts";
import { evaluateMeasure } from "../flows/evaluate-measure.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirJson } from "./fhir-answer.ts";
import { operationInput } from "./operation-input.ts";
import { refuseOtherMethods } from "./other-methods.ts";

/** `Measure/$evaluate-measure`, of the type and of one measure (https://hl7.org/fhir/R4/measure-operation-evaluate-measure.html). */
export function measureRoutes(app: FastifyInstance, doors: Doors): void {
  for (const url of ["/Measure/$evaluate-measure", "/Measure/:id/$evaluate-measure"]) {
    app.route({ method: ["GET", "POST"], url, handler: (request, reply) => sendReport(doors, request, reply) });
    refuseOtherMethods(app, { [url]: ["GET", "POST"] });
  }
}

async function sendReport(doors: Doors, request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> {
  const { id } = request.params as { id?: string };
  const asked = answered(readMeasureRequest(operationInput(request, doors.maxBodyBytes), id));
  const report = answered(await evaluateMeasure(request.service, request.tenantId, asked));
  return reply.type(fhirJson).send(JSON.stringify(report));
}
