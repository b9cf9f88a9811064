import type { FastifyInstance, FastifyReply, FastifyRequest } from "fastify";
import { readMeasureRequest, readSummaryRequest, reportKind } from "../fhir/measure-request.ts";
import type { OperationInput } from "../fhir/parameters.ts";
import { evaluateMeasure } from "../flows/evaluate-measure.ts";
import { evaluateSummary } from "../flows/evaluate-summary.ts";
import { requireScopes } from "./access.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirJson } from "./fhir-answer.ts";
import { needsOf, reportNeeds, unmet } from "./needs.ts";
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
  const input = operationInput(request, doors.maxBodyBytes);
  const kind = kindFor(request, input);
  requireScopes(request, needsOf(reportNeeds[kind]));
  if (kind === "summary") return sendSummary(request, reply, input, id);
  const asked = answered(readMeasureRequest(input, id));
  const report = answered(await evaluateMeasure(request.service, request.tenantId, asked));
  return reply.type(fhirJson).send(JSON.stringify(report));
}

/** Where a request leaves open of whom the report is, the one that its client may have. */
function kindFor(request: FastifyRequest, input: OperationInput): "subject" | "summary" {
  const may = (kind: "subject" | "summary") => unmet(request.grant.scopes, needsOf(reportNeeds[kind])) === undefined;
  return reportKind(input) ?? (may("summary") && !may("subject") ? "summary" : "subject");
}

/** Made of frozen figures, so it is the same whenever it is asked for; its tag is the release's hash. */
async function sendSummary(
  request: FastifyRequest,
  reply: FastifyReply,
  input: OperationInput,
  id: string | undefined,
): Promise<FastifyReply> {
  const asked = answered(readSummaryRequest(input, id));
  const { report, sha256 } = answered(await evaluateSummary(request.service, request.tenantId, asked));
  return reply.type(fhirJson).header("ETag", `W/"${sha256}"`).send(JSON.stringify(report));
}
