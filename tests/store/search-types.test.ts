import type { Resource } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import type { SearchQuery } from "../../src/fhir/search/query.ts";
import { inTenant } from "../../src/store/database.ts";
import { createResources } from "../../src/store/resource.ts";
import type { SearchMatch } from "../../src/store/search.ts";
import { openSearchWorld, parsed, type SearchWorld, stored, type Tenant } from "./search-world.ts";

let world: SearchWorld;

beforeAll(async () => {
  world = await openSearchWorld();
});

afterAll(() => world.close());

const hourMs = 3_600_000;
const firstMs = Date.UTC(2026, 2, 1);

interface Changed {
  readonly resource: Resource;
  readonly atMs: number;
}

function saveAt(tenant: Tenant, changed: readonly Changed[]) {
  const rows = changed.map(({ resource, atMs }) => stored(world.definitions, resource, atMs));
  return inTenant(world.database, tenant.tenantId, (session) => createResources(session, rows));
}

function ofType(type: "Observation" | "Encounter" | "Flag", id: string, date?: string): Resource {
  const subject = { reference: "Patient/p" };
  switch (type) {
    case "Observation": {
      const time = date === undefined ? {} : { effectiveDateTime: date };
      return { resourceType: type, id, status: "final", code: { text: "a value" }, subject, ...time };
    }
    case "Encounter": {
      const time = date === undefined ? {} : { period: { start: date, end: date } };
      return { resourceType: type, id, status: "finished", class: { code: "HH" }, subject, ...time };
    }
    case "Flag": {
      const time = date === undefined ? {} : { period: { start: date, end: date } };
      return { resourceType: type, id, status: "active", code: { text: "a flag" }, subject, ...time };
    }
  }
}

const types = ["Observation", "Encounter", "Flag"] as const;

/** Seven of each type, the same ids in each; times and dates with ties within types and across them. */
function drawn(): Changed[] {
  return types.flatMap((type, t) =>
    Array.from({ length: 7 }, (_, i) => ({
      resource: ofType(type, `m${i}`, i === 6 ? undefined : `2026-02-0${1 + ((i + t) % 4)}`),
      atMs: firstMs + ((i * 3 + t) % 5) * hourMs,
    })),
  );
}

const named = ({ type, id }: SearchMatch) => `${type}/${id}`;

/** Every page from first to last, each `count` long but the last; `between` runs after each. */
async function pages(tenant: Tenant, query: SearchQuery, between: (page: number) => Promise<unknown>) {
  const found: SearchMatch[] = [];
  for (let page = 0; page < 60; page += 1) {
    const after = found.at(-1)?.sortValues;
    const answer = await tenant.page(after === undefined ? query : { ...query, after });
    found.push(...answer.matches);
    if (!answer.more) return found;
    expect(answer.matches).toHaveLength(query.count);
    await between(page);
  }
  throw new Error("the pages do not end");
}

/** The order asked for, by hand: by these numbers, those without one last, ties by type and then by id. */
function inOrder(all: readonly Changed[], rank: (one: Changed) => number | undefined, sign: 1 | -1): string[] {
  const compare = (a: string, b: string) => Number(a > b) - Number(a < b);
  const at = (one: Changed) => rank(one) ?? sign * Number.MAX_SAFE_INTEGER;
  return [...all]
    .sort(
      (a, b) =>
        sign * (at(a) - at(b)) ||
        compare(a.resource.resourceType, b.resource.resourceType) ||
        compare(a.resource.id ?? "", b.resource.id ?? ""),
    )
    .map(({ resource }) => `${resource.resourceType}/${resource.id}`);
}

function dateOf({ resource }: Changed): number | undefined {
  const { effectiveDateTime, period } = resource as { effectiveDateTime?: string; period?: { start?: string } };
  const date = effectiveDateTime ?? period?.start;
  return date === undefined ? undefined : Date.parse(date);
}

const changedAt = ({ atMs }: Changed) => atMs;
const orders = [
  ["", () => 0, 1],
  ["&_sort=_lastUpdated", changedAt, 1],
  ["&_sort=-_lastUpdated", changedAt, -1],
  ["&_sort=date", dateOf, 1],
  ["&_sort=-date", dateOf, -1],
] as const;

// https://hl7.org/fhir/R4/http.html#search (`GET [base]?_type=…`) and https://hl7.org/fhir/R4/http.html#paging: what was
// there at the first page is told exactly once, in order, and nothing is told twice.
test.each(orders)(
  "pages of several types%s come in order and stay whole while rows arrive",
  async (sort, rank, sign) => {
    const tenant = await world.tenant(`several ${sort}`);
    const all = drawn();
    await saveAt(tenant, all);
    const query = parsed(world.definitions, types, `_count=4${sort}`);
    const still = await pages(tenant, query, async () => undefined);
    expect(still.map(named)).toEqual(inOrder(all, rank, sign));
    let arrived = 0;
    const moving = await pages(tenant, query, (page) => {
      if (page > 3) return Promise.resolve();
      // On both sides of every id, at every time there is, with and without a date.
      const added = types.flatMap((type) =>
        ["a", "m3-", "z"].map((start, i) => ({
          resource: ofType(type, `${start}x${page}`, i === 2 ? undefined : `2026-02-0${1 + i}`),
          atMs: firstMs + (i + page) * hourMs,
        })),
      );
      arrived += added.length;
      return saveAt(tenant, added);
    });
    expect(arrived).toBe(36);
    expect(moving.map(named).filter((name) => !name.includes("x"))).toEqual(inOrder(all, rank, sign));
    expect(new Set(moving.map(named)).size).toBe(moving.length);
  },
);

// https://hl7.org/fhir/R4/search.html#lastUpdated
test("_lastUpdated is compared across types, and counted across them", async () => {
  const tenant = await world.tenant("changed");
  const all = drawn();
  await saveAt(tenant, [...all, { resource: { resourceType: "Patient", id: "p" }, atMs: firstMs }]);
  const found = async (text: string) => {
    const page = await tenant.page(parsed(world.definitions, types, `${text}&_total=accurate`));
    expect(page.total, text).toBe(page.matches.length);
    return page.matches.map(named);
  };
  const expected = (keeps: (atMs: number) => boolean) =>
    inOrder(
      all.filter((one) => keeps(one.atMs)),
      () => 0,
      1,
    );
  const middle = firstMs + 2 * hourMs;
  const instant = "2026-03-01T02:00:00Z";
  expect(await found(`_lastUpdated=gt${instant}`)).toEqual(expected((at) => at > middle));
  expect(await found(`_lastUpdated=lt${instant}`)).toEqual(expected((at) => at < middle));
  expect(await found(`_lastUpdated=ge${instant}&_lastUpdated=lt2026-03-01T03:00:00Z`)).toEqual(
    expected((at) => at === middle),
  );
  expect(await found("_lastUpdated=2026-03-01")).toHaveLength(21);
  expect(await found("_lastUpdated=2026-03-02")).toEqual([]);
});

// https://hl7.org/fhir/R4/search.html#all: parameters of a search of several types are those that all of them have.
test("a parameter that several types share is asked of each of them in its own way", async () => {
  const tenant = await world.tenant("shared");
  await tenant.save(
    ofType("Observation", "o", "2026-02-01"),
    ofType("Encounter", "e", "2026-02-01"),
    ofType("Flag", "f", "2026-02-02"),
    { resourceType: "Patient", id: "p", name: [{ family: "Adler" }] },
  );
  const found = async (text: string, of: readonly string[] = types) =>
    (await tenant.page(parsed(world.definitions, of, text))).matches.map(named);
  expect(await found("date=2026-02-01")).toEqual(["Encounter/e", "Observation/o"]);
  expect(await found("patient.family=adler&date=ge2026-02-02")).toEqual(["Flag/f"]);
  expect(await found("status=final", ["Observation", "Encounter"])).toEqual(["Observation/o"]);
  expect(await found("status=final,finished", ["Observation", "Encounter"])).toEqual(["Encounter/e", "Observation/o"]);
  expect(await found("_id=p", ["Patient", "Flag"])).toEqual(["Patient/p"]);
  expect(() => parsed(world.definitions, types, "class=HH")).toThrow(/class/);
  // Nothing is searched where there is no type to search.
  expect(await found("", [])).toEqual([]);
});

// The compartment of https://hl7.org/fhir/R4/compartmentdefinition-patient.html: Observation by subject and performer,
// Encounter by subject, Flag and RelatedPerson by patient, List by subject and source, Patient itself and by link;
// Organization and Device are in none.
test("a search in a patient's compartment finds what the definition says belongs to that patient", async () => {
  const tenant = await world.tenant("compartment");
  const other = { reference: "Patient/q" };
  const own = { reference: "Patient/p" };
  const observation = { resourceType: "Observation", status: "final", code: { text: "a value" } } as const;
  const list = { resourceType: "List", status: "current", mode: "working" } as const;
  await tenant.save(
    { resourceType: "Patient", id: "p" },
    { resourceType: "Patient", id: "q" },
    { resourceType: "Patient", id: "linked", link: [{ type: "refer", other: own }] },
    ofType("Encounter", "e"),
    ofType("Flag", "f", "2026-02-01"),
    { ...observation, id: "subject", subject: own },
    { ...observation, id: "performer", subject: other, performer: [own] },
    { ...observation, id: "other", subject: other },
    { ...observation, id: "focus", subject: other, focus: [own] },
    // A place of the patient's id.
    { ...observation, id: "place", subject: { reference: "Location/p" } },
    { ...list, id: "source", source: own },
    { ...list, id: "item", entry: [{ item: own }] },
    { resourceType: "RelatedPerson", id: "r", patient: own },
    { resourceType: "Organization", id: "p" },
    { resourceType: "Device", id: "d", patient: own },
  );
  const found = async (of: readonly string[], text: string, patientId = "p") =>
    (await tenant.page(parsed(world.definitions, of, text, { patientId }))).matches.map(named);
  expect(await found(["Observation"], "")).toEqual(["Observation/performer", "Observation/subject"]);
  expect(await found(["Encounter"], "")).toEqual(["Encounter/e"]);
  expect(await found(["List"], "")).toEqual(["List/source"]);
  expect(await found(["Patient"], "")).toEqual(["Patient/linked", "Patient/p"]);
  expect(await found(["Organization"], "")).toEqual([]);
  expect(await found(["Device"], "")).toEqual([]);
  expect(await found(["Observation"], "_id=other,subject")).toEqual(["Observation/subject"]);
  const every = ["Encounter", "Flag", "List", "Observation", "Organization", "Patient", "RelatedPerson"];
  expect(await found(every, "")).toEqual([
    "Encounter/e",
    "Flag/f",
    "List/source",
    "Observation/performer",
    "Observation/subject",
    "Patient/linked",
    "Patient/p",
    "RelatedPerson/r",
  ]);
  expect(await found(every, "", "q")).toEqual([
    "Observation/focus",
    "Observation/other",
    "Observation/performer",
    "Patient/q",
  ]);
  expect(await found(every, "", "nobody")).toEqual([]);
});
