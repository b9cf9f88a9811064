import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readParameters } from "../fhir/parameters.ts";
import { unknownType } from "../fhir/resource-check.ts";
import { expandRules } from "../fhir/terminology/expand.ts";
import { lookupRules } from "../fhir/terminology/lookup.ts";
import { validateCodeRules } from "../fhir/terminology/validate-code.ts";
import { checkCode, expand, lookUpCode } from "../flows/terminology.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered, fhirJson } from "./fhir-answer.ts";
import { operationInput } from "./operation-input.ts";
import { refuseOtherMethods } from "./other-methods.ts";

type Operation = (request: FastifyRequest) => Promise<object>;

/** The terminology operations (https://hl7.org/fhir/R4/terminology-service.html): `$expand`, `$validate-code` and `$lookup`. */
export function terminologyRoutes(app: FastifyInstance, doors: Doors): void {
  const { service, maxBodyBytes } = doors;
  const inputOf = (request: FastifyRequest) => operationInput(request, maxBodyBytes);
  const expanded: Operation = async (request) => {
    const input = answered(readParameters(expandRules, inputOf(request), "valueSet"));
    return answered(await expand(service, request.tenantId, { ...input, ...idOf(request) }, input));
  };
  const checked: Operation = async (request) => {
    const input = answered(readParameters(validateCodeRules, inputOf(request), "valueSet"));
    return answered(await checkCode(service, request.tenantId, { ...input, ...idOf(request) }, input));
  };
  const lookedUp: Operation = async (request) => {
    const input = answered(readParameters(lookupRules, inputOf(request)));
    return answered(await lookUpCode(service, request.tenantId, input));
  };
  const operations: [type: string, url: string, operation: Operation][] = [
    ["ValueSet", "/ValueSet/$expand", expanded],
    ["ValueSet", "/ValueSet/:id/$expand", expanded],
    ["ValueSet", "/ValueSet/$validate-code", checked],
    ["ValueSet", "/ValueSet/:id/$validate-code", checked],
    ["CodeSystem", "/CodeSystem/$lookup", lookedUp],
  ];
  for (const [type, url, operation] of operations) {
    const handler = async (request: FastifyRequest, reply: FastifyReply) => {
      if (!service.definitions.has(type)) throw new RefusedRequest([unknownType(type)]);
      return reply.type(fhirJson).send(JSON.stringify(await operation(request)));
    };
    app.route({ method: ["GET", "POST"], url, handler });
    refuseOtherMethods(app, { [url]: ["GET", "POST"] });
  }
}

function idOf(request: FastifyRequest): { id?: string } {
  const { id } = request.params as { id?: string };
  return id === undefined ? {} : { id };
}
