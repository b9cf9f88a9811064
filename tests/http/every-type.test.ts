import { tryGetDataType } from "@medplum/core";
import type { FastifyInstance } from "fastify";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { buildApp } from "../../src/app.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { codesOf } from "../../src/fhir/terminology/value-set-codes.ts";
import { tokenHash } from "../../src/http/bearer.ts";
import { cursorsWith } from "../../src/http/cursor.ts";
import { maximalResource, variantsOf } from "../support/maximal-resource.ts";
import { minimalResource } from "../support/minimal-resource.ts";
import { quietTrail } from "../support/quiet-trail.ts";
import { type TestService, testService } from "../support/service.ts";

type Members = Record<string, unknown>;

const definitions = createDefinitions({ types: "all" });
const types = definitions.types;
const now = "2026-04-10T09:00:00Z";
const authorization = "Bearer token-of-the-test";

let made: TestService;
let app: FastifyInstance;

beforeAll(async () => {
  made = await testService(now, { referencePolicy: "accept" });
  app = await buildApp({
    service: { ...made.service, definitions },
    tokens: new Map([[tokenHash("token-of-the-test"), made.tenantId]]),
    trail: quietTrail,
    cursors: cursorsWith(Buffer.alloc(32, 7)),
    maxBodyBytes: 1_000_000,
    softwareVersion: "0.0.0",
    startedIso: now,
    isReady: async () => true,
  });
});

afterAll(async () => {
  await app.close();
  await made.close();
});

async function send(method: "GET" | "PUT" | "DELETE", path: string, payload?: string) {
  const headers = { authorization, "content-type": "application/fhir+json" };
  const answer = await app.inject({
    method,
    url: `/fhir/${path}`,
    headers,
    ...(payload === undefined ? {} : { payload }),
  });
  return { status: answer.statusCode, text: answer.body };
}

/** The reviver's third argument is in Node 26 and not yet in TypeScript's library. */
const json = JSON as typeof JSON & {
  parse(text: string, reviver: (key: string, value: unknown, context: { source?: string }) => unknown): unknown;
};

/** JSON with every number as the text it was written in: a parser would make 1.5 of 1.50. */
function asWritten(text: string): Members {
  const keep = (_: string, value: unknown, { source }: { source?: string }) =>
    typeof value === "number" ? `number ${source}` : value;
  return json.parse(text, keep) as Members;
}

/** What was sent, without what the server settles (https://hl7.org/fhir/R4/http.html#update). */
function sentPart(resource: unknown): Members {
  const { id: _id, meta, ...rest } = resource as Members;
  const { versionId: _version, lastUpdated: _time, ...otherMeta } = (meta ?? {}) as Members;
  return { ...rest, meta: otherMeta };
}

const resourceAt = (bundle: Members, at: number) => (bundle.entry as { resource?: unknown }[])[at]?.resource;

/** Takes one resource through all that can be done with it and holds every answer against what was sent. */
async function roundTrip(type: string, id: string, text: string): Promise<void> {
  const sent = sentPart(asWritten(text));
  const created = await send("PUT", `${type}/${id}`, text);
  // https://hl7.org/fhir/R4/http.html#upsert; the text tells why where it is refused.
  expect(created.status === 201 ? "" : created.text).toBe("");
  expect(sentPart(asWritten(created.text))).toEqual(sent);
  const read = await send("GET", `${type}/${id}`);
  expect(asWritten(read.text)).toMatchObject({ resourceType: type, id, meta: { versionId: "1" } });
  expect(sentPart(asWritten(read.text))).toEqual(sent);
  // https://hl7.org/fhir/R4/http.html#vread
  expect((await send("GET", `${type}/${id}/_history/1`)).text).toBe(read.text);
  // https://hl7.org/fhir/R4/search.html#id
  const found = asWritten((await send("GET", `${type}?_id=${id}`)).text);
  expect([(found.entry as unknown[]).length, sentPart(resourceAt(found, 0))]).toEqual([1, sent]);
  // https://hl7.org/fhir/R4/http.html#delete
  expect([200, 204]).toContain((await send("DELETE", `${type}/${id}`)).status);
  expect((await send("GET", `${type}/${id}`)).status).toBe(410);
  // https://hl7.org/fhir/R4/http.html#history: the newest first, and a deletion has no resource
  const history = asWritten((await send("GET", `${type}/${id}/_history`)).text);
  const methods = (history.entry as { request: { method: string } }[]).map((one) => one.request.method);
  expect(methods.join(" ")).toMatch(/^DELETE (PUT|POST)$/);
  expect([resourceAt(history, 0), sentPart(resourceAt(history, 1))]).toEqual([undefined, sent]);
}

test("the types switched on are all that R4 lists, without the abstract ones and those that no door stores", () => {
  // https://hl7.org/fhir/R4/valueset-resource-types.html; Parameters: https://hl7.org/fhir/R4/parameters.html
  const listed = [...(codesOf("http://hl7.org/fhir/ValueSet/resource-types")?.values() ?? [])].flatMap((codes) => [
    ...codes.keys(),
  ]);
  const stored = listed.filter((type) => !["Resource", "DomainResource", "Parameters", "AuditEvent"].includes(type));
  expect(types).toEqual(stored.sort());
  expect(types.length).toBe(144);
});

// What cannot stand in a valid instance of ours; sdf-18 asks for an extension's definition.
const leftOut = ["StructureDefinition.contextInvariant"];

test("numbers are compared as they are written", () => {
  // https://hl7.org/fhir/R4/json.html#decimal
  expect(asWritten('{"a":1.50,"b":1e3}')).toEqual({ a: "number 1.50", b: "number 1e3" });
});

describe.each(types)("%s", (type) => {
  const variants = Array.from({ length: variantsOf(type) }, (_, variant) => maximalResource(type, variant, "full"));

  test("with every element is valid, whichever types its choices have", () => {
    expect(variants.flatMap((text) => checkResource(definitions, JSON.parse(text), type))).toEqual([]);
  });

  test("has every element of its definition in some of the instances tried here", () => {
    const present = new Set(variants.flatMap((text) => Object.keys(JSON.parse(text))));
    const missing = Object.entries(tryGetDataType(type)?.elements ?? {}).flatMap(([path, { type: choices }]) => {
      const codes = choices.map(({ code }) => code.charAt(0).toUpperCase() + code.slice(1));
      const keys = path.endsWith("[x]") ? codes.map((code) => path.replace("[x]", code)) : [path];
      return keys.filter((key) => !present.has(key)).map((key) => `${type}.${key}`);
    });
    expect(missing.filter((one) => !leftOut.includes(one))).toEqual([]);
  });

  test("with only what must be there comes back as it was sent", async () => {
    await roundTrip(type, "least", JSON.stringify({ ...minimalResource(type), id: "least" }));
  });

  test("with every element comes back as it was sent, decimals to the digit", async () => {
    for (const [at, text] of variants.slice(0, 2).entries()) {
      const id = `full-${at}`;
      await roundTrip(type, id, text.replace('"id":"full"', `"id":"${id}"`));
    }
  });
});
