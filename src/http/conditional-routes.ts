import type { FastifyInstance, FastifyRequest } from "fastify";
import { successOutcome } from "../fhir/outcome.ts";
import { deleteWhere } from "../flows/delete-resource.ts";
import { patchWhere } from "../flows/patch-resource.ts";
import { updateWhere } from "../flows/write-resource.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirJson, sendWritten } from "./fhir-answer.ts";
import { addressParameters, bodyText, contentTypeOf, patchText } from "./fhir-request.ts";
import { conditionsOf } from "./instance-routes.ts";

interface OfType {
  Params: { type: string };
}

/** Update, patch and delete of what answers the criteria of the address (https://hl7.org/fhir/R4/http.html#cond-update). */
export function conditionalRoutes(app: FastifyInstance, doors: Doors): void {
  const { maxBodyBytes } = doors;
  app.put<OfType>("/:type", async (request, reply) => {
    const text = bodyText(request, maxBodyBytes);
    const written = await updateWhere(request.service, request.tenantId, targetOf(request), text);
    return sendWritten(doors, request, reply, answered(written));
  });
  app.patch<OfType>("/:type", async (request, reply) => {
    const text = patchText(request, maxBodyBytes);
    const written = await patchWhere(
      request.service,
      request.tenantId,
      targetOf(request),
      contentTypeOf(request),
      text,
    );
    return sendWritten(doors, request, reply, answered(written));
  });
  app.delete<OfType>("/:type", async (request, reply) => {
    const { type, criteria } = targetOf(request);
    const { deleted } = answered(await deleteWhere(request.service, request.tenantId, { type, criteria }));
    if (deleted === 0) return reply.code(204).send();
    const text = `${deleted} ${type} ${deleted === 1 ? "resource has" : "resources have"} been deleted.`;
    return reply.type(fhirJson).send(JSON.stringify(successOutcome(text)));
  });
}

function targetOf(request: FastifyRequest<OfType>) {
  // How to answer is no part of what is meant.
  const asked = addressParameters(request).filter(([name]) => name !== "_format" && name !== "_pretty");
  const criteria = new URLSearchParams(asked);
  return { type: request.params.type, criteria: criteria.toString(), ...conditionsOf(request) };
}
