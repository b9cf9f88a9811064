import type { CapabilityStatementRestResourceSearchParam } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { capabilityStatement } from "../../src/fhir/capability.ts";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { conformanceResources } from "../../src/fhir/profiles/conformance.ts";
import { officialSearchParameters } from "../../src/fhir/r4/search-parameters.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { ownSearchParameters } from "../../src/fhir/search/own-parameters.ts";
import { parseSearch } from "../../src/fhir/search/parse.ts";
import { searchExample } from "./search-example.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const facts = { baseUrl: "https://tidegate.example/fhir", softwareVersion: "0.1.0", date: "2026-03-01" };
const whole = () => capabilityStatement(definitions, facts).rest?.[0];
/** What the doors of stored resources declare; the trail has a door of its own. */
const rest = () => {
  const declared = whole();
  return declared && { ...declared, resource: declared.resource?.filter((one) => one.type !== "AuditEvent") ?? [] };
};
const resourceOf = (type: string) => rest()?.resource?.find((one) => one.type === type);

// https://hl7.org/fhir/R4/capabilitystatement.html with its invariants cpb-0 to cpb-16
test("the statement is a valid CapabilityStatement", () => {
  const everything = createDefinitions({ types: "all" });
  expect(checkResource(everything, capabilityStatement(definitions, facts))).toEqual([]);
  expect(checkResource(everything, capabilityStatement(everything, facts))).toEqual([]);
});

// cpb-9 and cpb-12: the validator above is shown to look at them
test("a type or a parameter named twice would not be valid", () => {
  const everything = createDefinitions({ types: "all" });
  const statement = capabilityStatement(definitions, facts);
  const [patient] = statement.rest?.[0]?.resource?.filter((one) => one.type === "Patient") ?? [];
  if (patient === undefined) throw new Error("no Patient declared");
  const typeTwice = { ...statement, rest: [{ mode: "server", resource: [patient, patient] }] };
  expect(checkResource(everything, typeTwice).map((one) => one.kind)).toEqual(["invariant"]);
  const parameter = patient.searchParam ?? [];
  const twice = { ...patient, searchParam: [...parameter, ...parameter] };
  const parameterTwice = { ...statement, rest: [{ mode: "server", resource: [twice] }] };
  expect(checkResource(everything, parameterTwice).map((one) => one.kind)).toEqual(["invariant"]);
});

test("it lists the types that are switched on and no others", () => {
  expect(rest()?.resource?.map((one) => one.type)).toEqual(definitions.types);
  const two = createDefinitions({ types: ["Observation", "Patient"] });
  const small = capabilityStatement(two, facts).rest?.[0];
  expect(small?.resource?.map((one) => one.type)).toEqual(["AuditEvent", "Observation", "Patient"]);
  const inclusions = small?.resource?.flatMap((one) => [...(one.searchRevInclude ?? [])]) ?? [];
  expect(inclusions.filter((one) => !/^(Observation|Patient):/.test(one))).toEqual([]);
});

// https://hl7.org/fhir/R4/valueset-type-restful-interaction.html and valueset-system-restful-interaction.html
test("every type has all of R4's interactions on a type, and the system all on the whole", () => {
  const ofType = ["read", "vread", "update", "patch", "delete", "history-instance", "history-type", "create"];
  for (const resource of rest()?.resource ?? []) {
    expect(resource.interaction?.map((one) => one.code)).toEqual([...ofType, "search-type"]);
  }
  const ofSystem = rest()?.interaction?.map((one) => one.code as string);
  expect(ofSystem?.toSorted()).toEqual(["batch", "history-system", "search-system", "transaction"]);
});

// https://hl7.org/fhir/R4/valueset-reference-handling-policy.html
test("references are declared as enforced under the policy check and not under accept", () => {
  const policyOf = (referencePolicy: "check" | "accept") =>
    capabilityStatement(definitions, { ...facts, referencePolicy }).rest?.[0]?.resource?.[1]?.referencePolicy;
  expect(policyOf("check")).toEqual(["literal", "local", "enforced"]);
  expect(policyOf("accept")).toEqual(["literal", "local"]);
});

test("each parameter is listed once, with the kind and url of its definition where there is one", () => {
  const known = new Map([...officialSearchParameters(), ...ownSearchParameters].map((one) => [one.url, one]));
  const agree = (parameters: readonly CapabilityStatementRestResourceSearchParam[], place: string) => {
    const names = parameters.map((one) => one.name);
    expect(new Set(names).size, place).toBe(names.length);
    for (const { name, type, definition } of parameters) {
      // R4 publishes no SearchParameter for these three: https://hl7.org/fhir/R4/search.html#special
      if (type === "special") expect(["_has", "_list", "_type"]).toContain(name);
      else expect([known.get(definition ?? "")?.code, known.get(definition ?? "")?.type]).toEqual([name, type]);
    }
  };
  for (const resource of whole()?.resource ?? []) agree(resource.searchParam ?? [], resource.type ?? "");
  agree(rest()?.searchParam ?? [], "system");
});

// https://hl7.org/fhir/R4/search.html: those named as left out are the ones that R4 has and that are not listed
test("each official parameter of a type is either listed or named as left out", () => {
  const words: readonly string[] = (rest()?.documentation ?? "").match(/[\w-]+/g) ?? [];
  for (const resource of rest()?.resource ?? []) {
    const listed = new Set(resource.searchParam?.map((one) => one.name));
    const bases = [resource.type ?? "", "Resource", "DomainResource"];
    const missing = officialSearchParameters()
      .filter((one) => (one.base as string[]).some((base) => bases.includes(base)))
      .filter((one) => !listed.has(one.code) && !words.includes(one.code))
      .map((one) => `${resource.type}?${one.code}`);
    expect(missing).toEqual([]);
  }
});

test("the trail is declared as read and searched, and nothing else", () => {
  const [trail] = whole()?.resource ?? [];
  expect(trail?.interaction?.map((one) => one.code)).toEqual(["read", "search-type"]);
  expect(trail?.searchParam?.map((one) => one.name)).toEqual(["_id", "patient", "agent", "date"]);
});

test("the text says that dates without a zone are read in UTC", () => {
  expect(rest()?.documentation).toContain("without a zone are read in UTC");
});

test("our profiles are declared with the type that they are for", () => {
  const ours = conformanceResources().flatMap((one) => (one.resourceType === "StructureDefinition" ? [one] : []));
  for (const one of ours) expect(resourceOf(one.type)?.supportedProfile).toContain(one.url);
  const declared = rest()?.resource?.flatMap((one) => one.supportedProfile ?? []);
  const ofOthers = ["http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription"];
  expect(declared?.sort()).toEqual([...ours.map((one) => one.url), ...ofOthers].sort());
});

test("operations stand with their types, those of the whole system with the system", () => {
  const codes = (type: string) => resourceOf(type)?.operation?.map((one) => one.name);
  expect(codes("Patient")).toEqual(["validate", "meta", "meta-add", "meta-delete", "everything", "match", "export"]);
  expect(codes("Observation")).toContain("lastn");
  expect(codes("Flag")).toEqual(["validate", "meta", "meta-add", "meta-delete"]);
  expect(rest()?.operation?.map((one) => one.name)).toEqual(["meta", "export", "import"]);
});

// https://hl7.org/fhir/R4/compartmentdefinition-patient.html
test("the compartment of patients is declared where there are patients", () => {
  expect(rest()?.compartment).toEqual(["http://hl7.org/fhir/CompartmentDefinition/patient"]);
  const flags = createDefinitions({ types: ["Flag"] });
  expect(capabilityStatement(flags, facts).rest?.[0]?.compartment).toBeUndefined();
});

test("every parameter and inclusion that is listed is one that a strict search takes", () => {
  const refused: string[] = [];
  const options = { handling: "strict", defaultCount: 1, maxCount: 1, maxLinks: 3, nowMs: 0 } as const;
  for (const resource of rest()?.resource ?? []) {
    const asked = [
      ...(resource.searchParam ?? []).map((one) => searchExample(one, resource.type ?? "")),
      ...(resource.searchInclude ?? []).map((value) => ["_include", value] as const),
      ...(resource.searchRevInclude ?? []).map((value) => ["_revinclude", value] as const),
    ];
    for (const one of asked) {
      if (!parseSearch(definitions, [resource.type ?? ""], [one], options).ok)
        refused.push(`${resource.type}?${one.join("=")}`);
    }
  }
  expect(refused).toEqual([]);
});
