import { createHash } from "node:crypto";
import type { Resource } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { readJson } from "../fhir/json.ts";
import { outcomeOf } from "../fhir/outcome.ts";
import { checkResource, unknownType } from "../fhir/resource-check.ts";
import { allows, type Scope } from "../fhir/scopes.ts";
import type { Write } from "./commit-writes.ts";
import type { Service } from "./service.ts";

/** One line of an import by its number in what was sent, the first 1. */
export interface ImportLine {
  readonly number: number;
  readonly text: Buffer;
}

/** A line that may be written: as far as it can be told from it alone. */
export interface CheckedLine extends ImportLine {
  readonly write: Write & { readonly resource: Resource };
}

/** A line that was refused, and why. */
export interface RefusedLine extends ImportLine {
  readonly refusals: readonly Refusal[];
}

/** Checks a line as a write alone is checked: its JSON, its type, what the client may do, the resource. */
export function checkLine(
  service: Pick<Service, "definitions">,
  jobId: string,
  scopes: readonly Scope[],
  line: ImportLine,
): Result<CheckedLine> {
  let text: string;
  try {
    text = new TextDecoder("utf-8", { fatal: true }).decode(line.text);
  } catch {
    return refused({ kind: "structure", detail: "The line is not UTF-8." });
  }
  const json = readJson(text);
  if (!json.ok) return json;
  const { resourceType, id } = json.value.value as { resourceType?: unknown; id?: unknown };
  const type = typeof resourceType === "string" ? resourceType : "";
  if (!service.definitions.has(type)) return refused({ ...unknownType(type), at: "resourceType" });
  const needed = id === undefined ? (["c"] as const) : (["c", "u"] as const);
  if (!needed.every((to) => allows(scopes, { context: "system", of: type, to }))) {
    const detail = `The token had no scope that allows this: it takes system/${type}.${needed.join("")}.`;
    return refused({ kind: "forbidden", detail, status: 403 });
  }
  const found = checkResource(service.definitions, json.value.value, type);
  if (found.length > 0) return refused(...found);
  const resource = json.value.value as Resource;
  const write = { type, id: resource.id ?? idOfLine(jobId, line.number), resource, exact: json.value.exact };
  return accepted({ ...line, write });
}

/** The id of a resource that brought none: the same however often the line is worked on. */
export function idOfLine(jobId: string, number: number): string {
  return `import-${createHash("sha256").update(`${jobId}\n${number}`).digest("hex").slice(0, 40)}`;
}

/** What is told of a refused line: an OperationOutcome, as one line. */
export function refusedLineText({ number, refusals }: RefusedLine): string {
  const outcome = outcomeOf(refusals);
  const issue = outcome.issue.map((one) => ({ ...one, location: [`line ${number}`] }));
  return `${JSON.stringify({ ...outcome, issue })}\n`;
}
