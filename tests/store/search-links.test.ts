import type { Observation, Resource } from "@medplum/fhirtypes";
import fc from "fast-check";
import { afterAll, beforeAll, expect, test } from "vitest";
import { referenceTerm } from "../../src/fhir/search/reference.ts";
import { inTenant, readInTenant } from "../../src/store/database.ts";
import { createResources } from "../../src/store/resource.ts";
import { openSearchWorld, parsed, type SearchWorld, stored, type Tenant } from "./search-world.ts";

let world: SearchWorld;
let tenant: Tenant;

beforeAll(async () => {
  world = await openSearchWorld();
  tenant = await world.tenant("linked");
  await tenant.save(...linked);
});

afterAll(() => world.close());

const cough = { coding: [{ system: "http://example.org/measure", code: "peak-cough-flow" }] };
const other = { coding: [{ system: "http://example.org/measure", code: "other" }] };

function observation(id: string, fields: Partial<Observation>): Observation {
  return { resourceType: "Observation", id, status: "final", code: cough, ...fields };
}

/** Two of everything, so that each link can lead astray. */
const linked: readonly Resource[] = [
  { resourceType: "Organization", id: "north", name: "North Clinic" },
  { resourceType: "Organization", id: "south", name: "South Clinic" },
  { resourceType: "Practitioner", id: "oak", name: [{ family: "Oakes" }] },
  { resourceType: "Practitioner", id: "elm", name: [{ family: "Elmer" }] },
  {
    resourceType: "Patient",
    id: "pa",
    name: [{ family: "Adler" }],
    managingOrganization: { reference: "Organization/north" },
    generalPractitioner: [{ reference: "Practitioner/elm" }, { reference: "Practitioner/oak" }],
  },
  {
    resourceType: "Patient",
    id: "pb",
    name: [{ family: "Brandt" }],
    managingOrganization: { reference: "Organization/south" },
    generalPractitioner: [{ reference: "Practitioner/elm" }],
  },
  // A place of the same id and name as a patient.
  { resourceType: "Location", id: "pa", name: "Adler", partOf: { reference: "Location/house" } },
  { resourceType: "Location", id: "house", name: "House", partOf: { reference: "Location/site" } },
  { resourceType: "Location", id: "site", name: "Site", partOf: { reference: "Location/town" } },
  { resourceType: "Location", id: "town", name: "Town" },
  {
    resourceType: "Encounter",
    id: "ea",
    status: "finished",
    class: { code: "HH" },
    subject: { reference: "Patient/pa" },
  },
  {
    resourceType: "Encounter",
    id: "eb",
    status: "finished",
    class: { code: "HH" },
    subject: { reference: "Patient/pb" },
  },
  observation("of-a", {
    subject: { reference: "Patient/pa" },
    encounter: { reference: "Encounter/ea" },
    performer: [{ reference: "Practitioner/oak" }],
  }),
  observation("of-a-version", { subject: { reference: "Patient/pa/_history/3" }, code: other }),
  observation("of-b", {
    subject: { reference: "Patient/pb" },
    encounter: { reference: "Encounter/eb" },
    performer: [{ reference: "Organization/north" }, { reference: "Practitioner/elm" }],
    code: other,
  }),
  observation("of-place", { subject: { reference: "Location/pa" } }),
  observation("of-nobody", {}),
  {
    resourceType: "List",
    id: "watched",
    status: "current",
    mode: "working",
    entry: [
      { item: { reference: "Patient/pb" } },
      { item: { reference: "Observation/of-a" } },
      { item: { reference: "Observation/of-place" } },
    ],
  },
  {
    resourceType: "Provenance",
    id: "seen",
    recorded: "2026-03-01T00:00:00Z",
    agent: [{ who: { reference: "Practitioner/oak" } }],
    target: [{ reference: "Observation/of-a" }],
  },
];

// https://hl7.org/fhir/R4/search.html#chaining, with the type (`subject:Patient.name`) and without it.
test.each([
  // The hot patient column.
  ["Observation", "subject:Patient.family=adler", ["of-a", "of-a-version"]],
  ["Observation", "patient.family=adler", ["of-a", "of-a-version"]],
  ["Observation", "patient:Patient._id=pb", ["of-b"]],
  // The terms of references.
  ["Observation", "performer:Practitioner.family=elm", ["of-b"]],
  ["Observation", "performer.name=north", ["of-b"]],
  ["Observation", "subject:Location.name=adler", ["of-place"]],
  ["Patient", "general-practitioner:Practitioner.family=oak", ["pa"]],
  // Without a type: whatever the reference points to, patients and places alike.
  ["Observation", "subject.name=adler", ["of-a", "of-a-version", "of-place"]],
  // What the other end answers is any condition.
  ["Observation", "patient.family=nobody", []],
  ["Observation", "performer.name=nobody", []],
  ["Observation", "performer:Practitioner.identifier:missing=true", ["of-a", "of-b"]],
  ["Observation", "patient.family=adler,brandt&code=other", ["of-a-version", "of-b"]],
])("%s?%s follows one link", async (type, text, expected) => {
  expect(await tenant.ids(type, text)).toEqual(expected);
});

// https://hl7.org/fhir/R4/search.html#chaining
test.each([
  ["Observation", "patient.organization.name=north", ["of-a", "of-a-version"]],
  ["Observation", "subject:Patient.organization:Organization.name=south", ["of-b"]],
  ["Observation", "patient.general-practitioner:Practitioner.family=oakes", ["of-a", "of-a-version"]],
  ["Observation", "encounter.patient.family=brandt", ["of-b"]],
  ["Observation", "encounter.subject:Patient.organization.name=north", ["of-a"]],
  [
    "Observation",
    "encounter:Encounter.patient:Patient.general-practitioner:Practitioner.family=elmer",
    ["of-a", "of-b"],
  ],
  // A type that points to itself.
  ["Location", "partof.name=site", ["house"]],
  ["Location", "partof.partof.name=site", ["pa"]],
  ["Location", "partof.partof.partof.name=town", ["pa"]],
  ["Location", "partof.partof.partof.name=site", []],
])("%s?%s follows several links", async (type, text, expected) => {
  expect(await tenant.ids(type, text)).toEqual(expected);
});

// How many links a server follows is its own choice, and chains are costly (https://hl7.org/fhir/R4/search.html#chaining).
test("a chain of more links than allowed, or to a modifier that is not there, is refused before it reaches the database", () => {
  const four = () => parsed(world.definitions, ["Location"], "partof.partof.partof.partof.name=x");
  expect(four).toThrow(/more links/);
  const modifierOfAnotherKind = () =>
    parsed(world.definitions, ["Patient"], "organization:Organization.name:not=north");
  expect(modifierOfAnotherKind).toThrow(/:not/);
});

// https://hl7.org/fhir/R4/search.html#has, whose examples the first and the nested one follow.
test.each([
  ["Patient", "_has:Observation:patient:code=peak-cough-flow", ["pa"]],
  ["Patient", "_has:Observation:patient:code=other", ["pa", "pb"]],
  ["Patient", "_has:Observation:subject:code=peak-cough-flow", ["pa"]],
  ["Location", "_has:Observation:subject:code=peak-cough-flow", ["pa"]],
  ["Practitioner", "_has:Observation:performer:code=other", ["elm"]],
  ["Organization", "_has:Observation:performer:code=other", ["north"]],
  ["Practitioner", "_has:Observation:performer:code=nothing", []],
  // Two conditions may be met by two resources.
  ["Patient", "_has:Observation:patient:code=peak-cough-flow&_has:Observation:patient:code=other", ["pa"]],
  // Nested, and two links away.
  ["Patient", "_has:Observation:patient:_has:Provenance:target:agent=Practitioner/oak", ["pa"]],
  ["Patient", "_has:Observation:patient:_has:Provenance:target:agent=Practitioner/elm", []],
  ["Organization", "_has:Patient:organization:_has:Observation:patient:code=peak-cough-flow", ["north"]],
  ["Location", "_has:Location:partof:_has:Location:partof:name=adler", ["site"]],
  // A chain inside, and one outside.
  ["Patient", "_has:Observation:patient:performer:Practitioner.family=elmer", ["pb"]],
  ["Organization", "_has:Patient:organization:general-practitioner:Practitioner.family=oakes", ["north"]],
  ["Encounter", "patient._has:Observation:patient:code=peak-cough-flow", ["ea"]],
])("%s?%s goes against the direction of the links", async (type, text, expected) => {
  expect(await tenant.ids(type, text)).toEqual(expected);
});

// https://hl7.org/fhir/R4/search.html#list
test("_list finds what a List names, of the type that is searched", async () => {
  expect(await tenant.ids("Patient", "_list=watched")).toEqual(["pb"]);
  expect(await tenant.ids("Observation", "_list=watched")).toEqual(["of-a", "of-place"]);
  expect(await tenant.ids("Observation", "_list=watched&patient.family=adler")).toEqual(["of-a"]);
  expect(await tenant.ids("Location", "_list=watched")).toEqual([]);
  expect(await tenant.ids("Patient", "_list=other")).toEqual([]);
});

// What a search finds is current (https://hl7.org/fhir/R4/http.html#delete), and so is what it goes through.
test("nothing is found through a deleted resource", async () => {
  const own = await world.tenant("deleted between");
  const patient: Resource = { resourceType: "Patient", id: "p", name: [{ family: "Adler" }] };
  const practitioner: Resource = { resourceType: "Practitioner", id: "d", name: [{ family: "Oakes" }] };
  const made = observation("o", {
    subject: { reference: "Patient/p" },
    performer: [{ reference: "Practitioner/d" }],
  });
  const rows = [patient, practitioner].map((one) => ({ ...stored(world.definitions, one), deleted: true }));
  await inTenant(world.database, own.tenantId, (session) => createResources(session, rows));
  await own.save(made);
  expect(await own.ids("Observation", "_id=o")).toEqual(["o"]);
  expect(await own.ids("Observation", "patient.family=adler")).toEqual([]);
  expect(await own.ids("Observation", "performer:Practitioner.family=oakes")).toEqual([]);
  expect(await own.ids("Patient", "_has:Observation:patient:code=peak-cough-flow")).toEqual([]);
});

// The links of https://hl7.org/fhir/R4/search.html#chaining stay within one tenant (our rule; R4 knows no tenants).
test("another tenant's resources are never found, and never lead anywhere, though their ids are the same", async () => {
  const mine = await world.tenant("mine");
  const theirs = await world.tenant("theirs");
  const unnamed = linked.map((one): Resource => {
    if (one.resourceType === "Patient") return { ...one, name: [{ family: "Mine" }] };
    if (one.resourceType === "Practitioner") return { ...one, name: [{ family: "Mine" }] };
    if (one.resourceType === "Observation") return { ...one, code: { text: "no code" } };
    return one.resourceType === "List" ? { ...one, entry: [] } : one;
  });
  await mine.save(...unnamed);
  await theirs.save(...linked);
  const asked = [
    ["Observation", "patient.family=adler"],
    ["Observation", "performer:Practitioner.family=elmer"],
    ["Observation", "encounter.patient.family=adler"],
    ["Patient", "_has:Observation:patient:code=peak-cough-flow"],
    ["Practitioner", "_has:Observation:performer:code=other"],
    ["Patient", "_list=watched"],
  ] as const;
  for (const [type, text] of asked) {
    expect(await mine.ids(type, text), text).toEqual([]);
    expect((await theirs.ids(type, text)).length, text).toBeGreaterThan(0);
  }
});

// The store makes the term of a reference in SQL where a link leads to many; fhir/search/reference.ts makes those that are
// indexed. SHA-256 is that of FIPS 180-4 in both.
test("the database makes the same term of a reference as the index does", async () => {
  const key = fc.bigInt({ min: -(2n ** 63n), max: 2n ** 63n - 1n }).map(String);
  const id = fc.stringMatching(/^[A-Za-z0-9\-.]{1,64}$/);
  const typed = fc.tuple(fc.constantFrom("Patient", "Observation", "Group"), id).map((parts) => parts.join("/"));
  const anyText = fc
    .string({ unit: "grapheme", maxLength: 80 })
    .filter((text) => !text.includes("\u0000") && !text.includes("/_history/"));
  await fc.assert(
    fc.asyncProperty(
      fc.array(fc.tuple(key, fc.oneof(typed, anyText)), { minLength: 1, maxLength: 50 }),
      async (pairs) => {
        const rows = await readInTenant(world.database, tenant.tenantId, (session) =>
          session.query<{ term: string }>(
            "select reference_term(p.key, p.reference)::text as term from unnest($1::bigint[], $2::text[]) with ordinality as p(key, reference, i) order by p.i",
            [pairs.map(([one]) => one), pairs.map(([, reference]) => reference)],
          ),
        );
        expect(rows.map((row) => row.term)).toEqual(pairs.map(([one, reference]) => referenceTerm(one, reference)));
      },
    ),
    { numRuns: 40 },
  );
});
