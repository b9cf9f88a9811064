import { readFile } from "node:fs/promises";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { readJson } from "../../src/fhir/json.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";

const rounds = 5_000;

/** Median milliseconds of what a session Observation costs before it reaches the database: reading, checking, extracting. */
export async function measureValidation(): Promise<Record<"read" | "check" | "extract", number>> {
  const text = await readFile(new URL("../../seed/examples/observation-session.json", import.meta.url), "utf8");
  const definitions = createDefinitions({ types: "default" });
  const resource = JSON.parse(text);
  return {
    read: median(() => readJson(text)),
    check: median(() => checkResource(definitions, resource, "Observation")),
    extract: median(() => extractIndexValues(definitions, resource)),
  };
}

function median(work: () => unknown): number {
  const times: number[] = [];
  for (let i = 0; i < rounds * 2; i += 1) {
    const start = performance.now();
    work();
    if (i >= rounds) times.push(performance.now() - start);
  }
  const sorted = times.sort((a, b) => a - b);
  return Number((sorted[rounds >> 1] ?? 0).toFixed(4));
}
