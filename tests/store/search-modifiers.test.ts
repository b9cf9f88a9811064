import type { Observation, Patient, Resource, ValueSet } from "@medplum/fhirtypes";
import fc from "fast-check";
import { afterAll, beforeAll, expect, test } from "vitest";
import { foldString } from "../../src/fhir/search/string.ts";
import { openSearchWorld, type SearchWorld, type Tenant } from "./search-world.ts";

let world: SearchWorld;

beforeAll(async () => {
  world = await openSearchWorld();
});

afterAll(() => world.close());

function observation(id: string, fields: Partial<Observation>): Observation {
  return { resourceType: "Observation", id, status: "final", code: { text: "a value" }, ...fields };
}

function asked(tenant: Tenant, type: Resource["resourceType"]) {
  return (name: string, value: string) => tenant.ids(type, new URLSearchParams([[name, value]]).toString());
}

// https://hl7.org/fhir/R4/search.html#token: `:text` is processed as a string search on CodeableConcept.text,
// Coding.display or Identifier.type.text; https://hl7.org/fhir/R4/search.html#string: the start, without case or accents.
test(":text looks at the words of a code, whatever their case and accents", async () => {
  const tenant = await world.tenant("text");
  const display = (text: string) => ({ coding: [{ system: "http://example.org/c", code: "x", display: text }] });
  await tenant.save(
    observation("text", { code: { text: "Débit de toux" } }),
    observation("display", { code: display("DEBIT de pointe") }),
    observation("second", {
      code: {
        coding: [
          { code: "y", display: "Other" },
          { code: "z", display: "debit" },
        ],
      },
    }),
    observation("decomposed", { code: { text: "De\u0301bit" } }),
    observation("inside", { code: { text: "Le débit" } }),
    observation("code-only", { code: { coding: [{ code: "debit" }] } }),
    observation("percent", { code: { text: "100% of it" } }),
    observation("spaced", { code: { text: "Peak \t  cough" } }),
    observation("component", { component: [{ code: { text: "Débit" } }] }),
    observation("category", { category: [{ text: "Autre" }, display("Débit")] }),
  );
  const found = asked(tenant, "Observation");
  expect(await found("code:text", "debit")).toEqual(["decomposed", "display", "second", "text"]);
  expect(await found("code:text", "DÉBIT DE")).toEqual(["display", "text"]);
  expect(await found("code:text", "peak cough")).toEqual(["spaced"]);
  expect(await found("code:text", "nothing,le d")).toEqual(["inside"]);
  // No wildcards of SQL, and nothing of the code itself.
  expect(await found("code:text", "100%")).toEqual(["percent"]);
  expect(await found("code:text", "1%")).toEqual([]);
  expect(await found("component-code:text", "debit")).toEqual(["component"]);
  expect(await found("category:text", "debit")).toEqual(["category"]);
  expect(await found("combo-code:text", "debit")).toEqual(["component", "decomposed", "display", "second", "text"]);
});

test(":text of an identifier looks at the text of its type", async () => {
  const tenant = await world.tenant("identifier text");
  const patient = (id: string, text: string, value: string): Patient => ({
    resourceType: "Patient",
    id,
    identifier: [{ type: { text }, system: "http://example.org/ids", value }],
  });
  await tenant.save(patient("a", "Número de historia", "1"), patient("b", "Insurance", "numero"));
  // https://hl7.org/fhir/R4/search.html#token
  expect(await asked(tenant, "Patient")("identifier:text", "numero")).toEqual(["a"]);
});

// The fold of the database is that of fhir/search/string.ts, in every script; the words are ours, the letters those of
// Unicode's chapters on case mapping and normalization (https://www.unicode.org/versions/latest/).
test(":text folds letters of all scripts in the database as the index of strings folds them", async () => {
  const words = [
    "Жар Ё",
    "ΟΔΟΣ Α",
    "ガス",
    "हिन्दी",
    "น้ำ",
    "İSTANBUL",
    "ﬁeber",
    "Straße",
    "שָׁלוֹם",
    "한국",
    "Ấm",
    "Ⅳ",
    "①",
  ];
  const word = fc.oneof(fc.constantFrom(...words), fc.string({ unit: "grapheme", minLength: 1, maxLength: 6 }));
  const usable = (text: string) => !text.includes("\u0000") && foldString(text) !== "";
  const texts = fc.array(
    fc
      .tuple(word, word)
      .map((two) => two.join(" "))
      .filter(usable),
    { minLength: 5, maxLength: 20 },
  );
  // Whichever of its two small letters stands for a capital sigma (Unicode, CaseFolding.txt).
  const folded = (text: string) => foldString(text).replaceAll("ς", "σ");
  let runs = 0;
  await fc.assert(
    fc.asyncProperty(texts, fc.array(word.filter(usable), { minLength: 2, maxLength: 6 }), async (stored, wanted) => {
      runs += 1;
      const tenant = await world.tenant(`folded ${runs}`);
      const all = [...words, ...stored];
      const id = (i: number) => `o${String(i).padStart(3, "0")}`;
      await tenant.save(...all.map((text, i) => observation(id(i), { code: { text } })));
      const found = asked(tenant, "Observation");
      for (const one of [...words, ...words.map((text) => text.toUpperCase()), ...wanted]) {
        const expected = all.flatMap((text, i) => (folded(text).startsWith(folded(one)) ? [id(i)] : []));
        expect(await found("code:text", one.replace(/[\\,$|]/g, "\\$&")), JSON.stringify(one)).toEqual(expected);
      }
    }),
    { numRuns: 5 },
  );
});

// https://hl7.org/fhir/R4/search.html#token, whose example is `identifier:of-type=http://terminology.hl7.org/CodeSystem/v2-0203|MR|446053`.
test(":of-type finds a value of that type alone", async () => {
  const tenant = await world.tenant("of type");
  const v2 = "http://terminology.hl7.org/CodeSystem/v2-0203";
  const identifier = (code: string, value: string, system = v2) => ({ type: { coding: [{ system, code }] }, value });
  await tenant.save(
    { resourceType: "Patient", id: "mr", identifier: [identifier("MR", "446053")] },
    { resourceType: "Patient", id: "second", identifier: [identifier("SS", "1"), identifier("MR", "446053")] },
    { resourceType: "Patient", id: "crossed", identifier: [identifier("SS", "446053"), identifier("MR", "1")] },
    { resourceType: "Patient", id: "elsewhere", identifier: [identifier("MR", "446053", "http://example.org/types")] },
    { resourceType: "Patient", id: "untyped", identifier: [{ value: "446053" }] },
  );
  const found = asked(tenant, "Patient");
  expect(await found("identifier", "446053")).toHaveLength(5);
  expect(await found("identifier:of-type", `${v2}|MR|446053`)).toEqual(["mr", "second"]);
  expect(await found("identifier:of-type", `${v2}|SS|1,${v2}|SS|446053`)).toEqual(["crossed", "second"]);
  await expect(found("identifier:of-type", "MR|446053")).rejects.toThrow(/all three/);
});

// https://hl7.org/fhir/R4/search.html#token (`:in`, `:not-in`), with the codes of
// https://hl7.org/fhir/R4/valueset-observation-category.html and https://hl7.org/fhir/R4/valueset-administrative-gender.html.
test(":in finds the codes of a value set, :not-in whatever has none of them", async () => {
  const tenant = await world.tenant("value sets");
  const r4 = "http://terminology.hl7.org/CodeSystem/observation-category";
  const category = (system: string, ...codes: readonly string[]) => ({
    category: codes.map((code) => ({ coding: [{ system, code }] })),
  });
  await tenant.save(
    observation("vital", category(r4, "vital-signs")),
    observation("therapy", category(r4, "therapy")),
    observation("unknown", category(r4, "not-of-the-set")),
    observation("other-system", category("http://example.org/c", "vital-signs")),
    observation("both", category(r4, "not-of-the-set", "vital-signs")),
    observation("none", {}),
    { resourceType: "Patient", id: "coded", gender: "female" },
    { resourceType: "Patient", id: "uncoded" },
  );
  const set = "http://hl7.org/fhir/ValueSet/observation-category";
  const found = asked(tenant, "Observation");
  expect(await found("category:in", set)).toEqual(["both", "therapy", "vital"]);
  expect(await found("category:not-in", set)).toEqual(["none", "other-system", "unknown"]);
  const gender = "http://hl7.org/fhir/ValueSet/administrative-gender";
  expect(await asked(tenant, "Patient")("gender:in", gender)).toEqual(["coded"]);
  expect(await asked(tenant, "Patient")("gender:not-in", gender)).toEqual(["uncoded"]);
  await expect(found("category:in", "http://example.org/ValueSet/nowhere")).rejects.toThrow(/not known here/);
});

// The addresses are those of https://hl7.org/fhir/R4/search.html#uri.
test(":below finds what lies under an address, :above what it lies under, and a URN only itself", async () => {
  const tenant = await world.tenant("addresses");
  const urls = {
    oid: "urn:oid:1.2.3.4.5",
    "oid-below": "urn:oid:1.2.3.4.5.6",
    root: "http://acme.org/fhir",
    set: "http://acme.org/fhir/ValueSet/123",
    version: "http://acme.org/fhir/ValueSet/123/_history/5",
    longer: "http://acme.org/fhir/ValueSet/1234",
    "other-case": "http://acme.org/FHIR/ValueSet/123",
    "look-alike": "http://acme.org/fhir-x/ValueSet/123",
  };
  await tenant.save(
    ...Object.entries(urls).map(([id, url]): ValueSet => ({ resourceType: "ValueSet", id, status: "active", url })),
  );
  const found = asked(tenant, "ValueSet");
  expect(await found("url", urls.set)).toEqual(["set"]);
  expect(await found("url:below", "http://acme.org/fhir/")).toEqual(["longer", "set", "version"]);
  expect(await found("url:below", urls.root)).toEqual(["longer", "root", "set", "version"]);
  expect(await found("url:below", urls.set)).toEqual(["set", "version"]);
  expect(await found("url:above", urls.version)).toEqual(["root", "set", "version"]);
  expect(await found("url:above", urls.longer)).toEqual(["longer", "root"]);
  expect(await found("url:below", "http://acme.org/%")).toEqual([]);
  expect(await found("url:below", urls.oid)).toEqual(["oid"]);
  expect(await found("url:above", urls["oid-below"])).toEqual(["oid-below"]);
});

// https://hl7.org/fhir/R4/search.html#modifiers: `:not` and `:missing`.
test(":not leaves out whatever has the code in any of its repeats", async () => {
  const tenant = await world.tenant("not");
  const repeated = (...codes: readonly string[]) => ({ category: codes.map((code) => ({ coding: [{ code }] })) });
  await tenant.save(
    observation("a", repeated("one")),
    observation("ab", repeated("one", "two")),
    observation("b-twice", { category: [{ coding: [{ code: "two" }, { code: "three" }] }] }),
    observation("none", {}),
  );
  const found = (text: string) => tenant.ids("Observation", text);
  expect(await found("category:not=one")).toEqual(["b-twice", "none"]);
  expect(await found("category:not=three")).toEqual(["a", "ab", "none"]);
  expect(await found("category:not=one&category:not=two")).toEqual(["none"]);
  expect(await found("category:not=one&category=two")).toEqual(["b-twice"]);
});

test(":missing asks whether there is any value, for every kind of parameter", async () => {
  const tenant = await world.tenant("missing");
  await tenant.save(
    observation("full", {
      subject: { reference: "Patient/p" },
      effectiveDateTime: "2026-03-01",
      valueQuantity: { value: 0 },
      performer: [{ display: "someone" }],
      component: [{ code: { text: "x" }, valueQuantity: { value: 1 } }],
    }),
    observation("empty", {}),
    { resourceType: "Patient", id: "p", name: [{ family: "Adler" }], birthDate: "1990-01-01" },
    { resourceType: "Patient", id: "q", name: [{ given: ["Only"] }] },
  );
  // https://hl7.org/fhir/R4/search.html#modifiers
  for (const name of ["subject", "patient", "date", "value-quantity", "performer", "component-value-quantity"]) {
    expect(await tenant.ids("Observation", `${name}:missing=true`), name).toEqual(["empty"]);
    expect(await tenant.ids("Observation", `${name}:missing=false`), name).toEqual(["full"]);
  }
  for (const name of ["family", "birthdate"]) {
    expect(await tenant.ids("Patient", `${name}:missing=true`), name).toEqual(["q"]);
    expect(await tenant.ids("Patient", `${name}:missing=false`), name).toEqual(["p"]);
  }
  // Behind a link as well (https://hl7.org/fhir/R4/search.html#chaining).
  expect(await tenant.ids("Observation", "patient.birthdate:missing=false")).toEqual(["full"]);
  expect(await tenant.ids("Observation", "patient.birthdate:missing=true")).toEqual([]);
});
