import { readFile } from "node:fs/promises";
import type { Resource } from "@medplum/fhirtypes";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { ownProfileResources } from "../../src/fhir/profiles/conformance.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";

const examples = {
  Observation: "observation-session.json",
  DeviceUseStatement: "device-use-session.json",
  Patient: "patient.json",
  Task: "task.json",
  DeviceRequest: "device-request.json",
} as const;

const variants = 6_000;
const people = 50;

/** Median milliseconds for one resource of a type, and how many values are indexed of it. */
export interface ExtractionCost {
  readonly checkMs: number;
  /** Checked against the profile of ours that it claims as well. */
  readonly checkWithProfileMs: number;
  readonly extractMs: number;
  readonly indexed: number;
}

/**
 * What checking a resource and taking its index values costs, before the database sees it. Each of six thousand resources
 * has times, values, ids and identifiers of its own and is read from its text just before; fifty people and their devices
 * come again and again. So it is with a day's uploads: of one resource asked again and again every hash would be known.
 */
export async function measureExtraction(): Promise<Record<keyof typeof examples, ExtractionCost>> {
  const definitions = createDefinitions({ types: "default", profiles: ownProfileResources });
  const costs: [string, ExtractionCost][] = [];
  for (const [type, file] of Object.entries(examples)) {
    const text = await readFile(new URL(`../../seed/examples/${file}`, import.meta.url), "utf8");
    const claiming = Array.from({ length: variants }, (_, i) => JSON.stringify(variantOf(JSON.parse(text), i)));
    const bare = claiming.map((one) => JSON.stringify({ ...JSON.parse(one), meta: undefined }));
    costs.push([
      type,
      {
        checkMs: medianMs(bare, (one) => allowed(checkResource(definitions, one, type))),
        checkWithProfileMs: medianMs(claiming, (one) => allowed(checkResource(definitions, one, type))),
        extractMs: medianMs(claiming, (one) => extractIndexValues(definitions, one)),
        indexed: Object.values(extractIndexValues(definitions, JSON.parse(text) as Resource)).flat().length,
      },
    ]);
  }
  return Object.fromEntries(costs) as Record<keyof typeof examples, ExtractionCost>;
}

/** A refused resource would be cheap for the wrong reason. */
function allowed(faults: readonly { readonly detail: string }[]): void {
  if (faults.length > 0) throw new Error(faults.map((one) => one.detail).join(" "));
}

function variantOf(resource: Resource, i: number): Resource {
  return { ...(changed(resource, "", i) as Resource), id: `example-${i}` };
}

/** Another resource of the same shape: what differs between two sessions differs here. */
function changed(value: unknown, key: string, i: number): unknown {
  if (Array.isArray(value)) return value.map((one) => changed(one, key, i));
  if (typeof value === "number") return value + (i % 40);
  if (typeof value === "object" && value !== null) {
    const { coding } = value as { coding?: unknown };
    if (coding !== undefined) return value; // codes are the same for everybody
    return Object.fromEntries(Object.entries(value).map(([name, one]) => [name, changed(one, name, i)]));
  }
  if (typeof value !== "string") return value;
  if (key === "reference") return `${value}-${i % people}`;
  if (/^\d{4}-\d\d-\d\dT/.test(value)) return new Date(Date.parse(value) + i * 61_000).toISOString();
  return key === "value" ? `${value}-${i}` : value;
}

function medianMs(texts: readonly string[], work: (resource: Resource) => unknown): number {
  const times: number[] = [];
  for (const [i, text] of texts.entries()) {
    const resource = JSON.parse(text) as Resource;
    const start = performance.now();
    work(resource);
    // The first third is for the compiler.
    if (i * 3 >= texts.length) times.push(performance.now() - start);
  }
  const sorted = times.sort((a, b) => a - b);
  return Number((sorted[sorted.length >> 1] ?? Number.NaN).toFixed(4));
}
