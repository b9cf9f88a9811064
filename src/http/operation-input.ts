import type { FastifyRequest } from "fastify";
import { readJson } from "../fhir/json.ts";
import type { OperationInput } from "../fhir/parameters.ts";
import { answered } from "./fhir-answer.ts";
import { addressParameters, bodyText } from "./fhir-request.ts";

/** Input of an operation as it came: the parameters of the address and, for a POST that has one, the body. */
export function operationInput(request: FastifyRequest, maxBytes: number): OperationInput {
  const query = addressParameters(request);
  // A POST without a body has its parameters in the address alone.
  const hasBody = request.method === "POST" && Buffer.isBuffer(request.body) && request.body.length > 0;
  return hasBody ? { query, body: answered(readJson(bodyText(request, maxBytes))) } : { query };
}
