import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { useRecordJsonSchema } from "../../src/intake/use-record-schema.ts";

function file(path: string): string {
  return readFileSync(new URL(`../../${path}`, import.meta.url), "utf8");
}

interface Described {
  readonly required: string[];
  readonly properties: Record<string, { readonly items?: Described; readonly maxItems?: number }>;
}

const fresh = useRecordJsonSchema() as Described;

test("openapi/use-record.schema.json is what the reader checks", () => {
  expect(JSON.parse(file("openapi/use-record.schema.json"))).toEqual(JSON.parse(JSON.stringify(fresh)));
});

test("of a session only start and end are required", () => {
  expect(fresh.properties.sessions?.items?.required).toEqual(["start", "end"]);
  expect(fresh.properties.sessions?.maxItems).toBe(20_000);
});

test("docs/use-record-format.md describes every field", () => {
  const text = file("docs/use-record-format.md");
  const session = fresh.properties.sessions?.items;
  const cycle = session?.properties.cycles?.items;
  const names = [fresh, session, cycle].flatMap((one) => Object.keys(one?.properties ?? {}));
  expect(names.length).toBeGreaterThan(30);
  expect(names.filter((name) => !text.includes(`| \`${name}`))).toEqual([]);
});
