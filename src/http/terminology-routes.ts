import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readParameters } from "../fhir/parameters.ts";
import { expandRules } from "../fhir/terminology/expand.ts";
import { lookupRules } from "../fhir/terminology/lookup.ts";
import { validateCodeRules } from "../fhir/terminology/validate-code.ts";
import { checkCode, expand, lookUpCode } from "../flows/terminology.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirJson } from "./fhir-answer.ts";
import { operationInput } from "./operation-input.ts";
import { refuseOtherMethods } from "./other-methods.ts";

type Operation = (request: FastifyRequest) => Promise<object>;

/** The terminology operations (https://hl7.org/fhir/R4/terminology-service.html): `$expand`, `$validate-code` and `$lookup`. */
export function terminologyRoutes(app: FastifyInstance, doors: Doors): void {
  const { maxBodyBytes } = doors;
  const inputOf = (request: FastifyRequest) => operationInput(request, maxBodyBytes);
  const expanded: Operation = async (request) => {
    const input = answered(readParameters(expandRules, inputOf(request), "valueSet"));
    return answered(await expand(request.service, request.tenantId, { ...input, ...idOf(request) }, input));
  };
  const checked: Operation = async (request) => {
    const input = answered(readParameters(validateCodeRules, inputOf(request), "valueSet"));
    return answered(await checkCode(request.service, request.tenantId, { ...input, ...idOf(request) }, input));
  };
  const lookedUp: Operation = async (request) => {
    const input = answered(readParameters(lookupRules, inputOf(request)));
    return answered(await lookUpCode(request.service, request.tenantId, input));
  };
  const operations: [url: string, operation: Operation][] = [
    ["/ValueSet/$expand", expanded],
    ["/ValueSet/:id/$expand", expanded],
    ["/ValueSet/$validate-code", checked],
    ["/ValueSet/:id/$validate-code", checked],
    ["/CodeSystem/$lookup", lookedUp],
  ];
  for (const [url, operation] of operations) {
    const handler = async (request: FastifyRequest, reply: FastifyReply) =>
      reply.type(fhirJson).send(JSON.stringify(await operation(request)));
    app.route({ method: ["GET", "POST"], url, handler });
    refuseOtherMethods(app, { [url]: ["GET", "POST"] });
  }
}

function idOf(request: FastifyRequest): { id?: string } {
  const { id } = request.params as { id?: string };
  return id === undefined ? {} : { id };
}
