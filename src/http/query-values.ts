import type { FastifyInstance } from "fastify";
import { RefusedRequest } from "./errors.ts";

/** Refuses query parameters without a value, as FHIR search does: a limit left empty would be read as the number 0. */
export function refuseEmptyValues(app: FastifyInstance): void {
  app.addHook("preValidation", async (request) => {
    const empty = Object.entries(request.query as Record<string, unknown>).find(([, value]) => value === "");
    if (empty === undefined) return;
    const detail = "The value is empty. Leave the parameter out or give it a value.";
    throw new RefusedRequest([{ kind: "value", detail, at: empty[0].slice(0, 64), status: 400 }]);
  });
}
