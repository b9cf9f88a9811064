import type { Patient } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { Definitions } from "./definitions.ts";
import { readJson } from "./json.ts";
import { checkResource } from "./resource-check.ts";

/** What a client asks of `$match`. */
export interface MatchRequest {
  readonly patient: Patient;
  readonly onlyCertainMatches: boolean;
  /** Undefined where the server is to decide. */
  readonly count?: number;
}

interface SentParameter {
  readonly name?: unknown;
  readonly resource?: unknown;
  readonly valueBoolean?: unknown;
  readonly valueInteger?: unknown;
}

const page = "https://hl7.org/fhir/R4/patient-operation-match.html";
const known = ["resource", "onlyCertainMatches", "count"];

/**
 * Reads the body of `$match`: Parameters, or the Patient alone. The Patient may lack what a stored one must have, but
 * what it has must be of its type (https://hl7.org/fhir/R4/patient-operation-match.html).
 */
export function readMatchRequest(definitions: Definitions, text: string): Result<MatchRequest> {
  const read = readJson(text);
  if (!read.ok) return read;
  const body = read.value.value as { resourceType?: unknown; parameter?: unknown };
  if (body.resourceType === "Patient") return withPatient(definitions, body, { onlyCertainMatches: false });
  if (body.resourceType !== "Parameters") {
    return wrong("Send Parameters with the Patient in the parameter resource, or the Patient alone.", "resourceType");
  }
  const sent = Array.isArray(body.parameter) ? (body.parameter as (SentParameter | null)[]) : [];
  const unknown = sent.findIndex((one) => !known.includes(String(one?.name)));
  if (unknown >= 0) {
    const detail = `$match takes the parameters ${known.join(", ")}, each once; see ${page}.`;
    return wrong(detail, `Parameters.parameter[${unknown}].name`);
  }
  const twice = sent.findIndex((one, i) => sent.findIndex((other) => other?.name === one?.name) !== i);
  if (twice >= 0) return wrong("A parameter of $match is given once.", `Parameters.parameter[${twice}].name`);
  return readParameters(definitions, sent);
}

function readParameters(definitions: Definitions, sent: readonly (SentParameter | null)[]): Result<MatchRequest> {
  const named = (name: string) => sent.find((one) => one?.name === name);
  const placeOf = (name: string) => `Parameters.parameter[${sent.findIndex((one) => one?.name === name)}]`;
  const only = named("onlyCertainMatches");
  if (only !== undefined && typeof only?.valueBoolean !== "boolean") {
    return wrong("onlyCertainMatches is a valueBoolean.", placeOf("onlyCertainMatches"));
  }
  const count = named("count")?.valueInteger;
  if (named("count") !== undefined && !(Number.isInteger(count) && Number(count) > 0)) {
    return wrong("count is a valueInteger of 1 or more.", placeOf("count"));
  }
  const resource = named("resource")?.resource;
  if (typeof resource !== "object" || resource === null) {
    return wrong("$match needs the Patient to look for in the parameter resource.", "Parameters.parameter");
  }
  return withPatient(
    definitions,
    resource,
    { onlyCertainMatches: only?.valueBoolean === true, ...(count === undefined ? {} : { count: Number(count) }) },
    `${placeOf("resource")}.resource`,
  );
}

function withPatient(
  definitions: Definitions,
  patient: object,
  options: Omit<MatchRequest, "patient">,
  at?: string,
): Result<MatchRequest> {
  const found = checkResource(definitions, patient, "Patient").filter(({ kind }) => !allowedToLack.has(kind));
  if (found.length === 0) return accepted({ ...options, patient: patient as Patient });
  return refused(...found.map((refusal) => (at === undefined ? refusal : { ...refusal, at })));
}

/** What a fragment may lack: elements that must be there, and rules about what goes with what. */
const allowedToLack: ReadonlySet<Refusal["kind"]> = new Set<Refusal["kind"]>(["required", "invariant"]);

function wrong(detail: string, at: string): Result<never> {
  return refused({ kind: "invalid", detail, at, status: 400 });
}
