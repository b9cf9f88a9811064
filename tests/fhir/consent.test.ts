import type { Consent, ConsentProvision } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import type { ConsentDenial } from "../../src/domain/consent.ts";
import { askerName, clientSystem, consentDenials } from "../../src/fhir/consent.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

const zone = "Europe/London";
const scopeSystem = "http://terminology.hl7.org/CodeSystem/consentscope";
const role = { coding: [{ system: "http://terminology.hl7.org/CodeSystem/v3-ParticipationType", code: "IRCP" }] };
const client = (value: string) => ({ role, reference: { identifier: { system: clientSystem, value } } });
const organization = (id: string) => ({ role, reference: { reference: `Organization/${id}` } });
const ofType = (code: string) => ({ system: "http://hl7.org/fhir/resource-types", code });
const [app, ward] = [askerName("client", "app"), askerName("organization", "ward")];

function consent(provision: ConsentProvision | undefined, changes: Partial<Consent> = {}): Consent & { id: string } {
  return {
    resourceType: "Consent",
    id: "c",
    status: "active",
    scope: { coding: [{ system: scopeSystem, code: "patient-privacy" }] },
    category: [{ text: "Privacy" }],
    patient: { reference: "Patient/p" },
    policyRule: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/v3-ActCode", code: "OPTIN" }] },
    ...(provision === undefined ? {} : { provision }),
    ...changes,
  };
}

function denials(provision: ConsentProvision | undefined, changes: Partial<Consent> = {}): readonly ConsentDenial[] {
  return consentDenials(consent(provision, changes), zone).flatMap((fact) =>
    fact.kind === "consent-denial" ? [fact.denial] : [],
  );
}

/** Whom and what one rule denies, and its exceptions. */
function extent(provision: ConsentProvision): unknown {
  return denials(provision).map(({ deniedTo, types, permitted }) => ({ deniedTo, types, permitted }));
}

const everything = [{ deniedTo: undefined, types: undefined, permitted: [] }];

test("a denial of everything holds for everybody, from ever to ever", () => {
  const plain = consent({ type: "deny" });
  expect(checkResource(createDefinitions({ types: ["Consent"] }), plain, "Consent")).toEqual([]);
  expect(consentDenials(plain, zone)).toEqual([
    {
      kind: "consent-denial",
      denial: {
        consentId: "c",
        position: 0,
        patientId: "p",
        startMs: Number.NEGATIVE_INFINITY,
        endMs: Number.POSITIVE_INFINITY,
        permitted: [],
      },
    },
  ]);
});

// https://hl7.org/fhir/R4/valueset-consent-state-codes.html
test.each(["draft", "proposed", "rejected", "inactive", "entered-in-error"] as const)(
  "a consent that is %s denies nothing",
  (status) => {
    expect(denials({ type: "deny" }, { status })).toEqual([]);
  },
);

test.each(["research", "adr", "treatment"])("nor does one about %s", (code) => {
  expect(denials({ type: "deny" }, { scope: { coding: [{ system: scopeSystem, code }] } })).toEqual([]);
});

test("nor one that permits, has no rule, or is about nobody", () => {
  expect(denials({ type: "permit" })).toEqual([]);
  expect(denials(undefined)).toEqual([]);
  const { patient: _, ...nobodys } = consent({ type: "deny" });
  expect(consentDenials(nobodys, zone)).toEqual([]);
});

// R4: type is "not permitted in root rule"; the base policy then says what the consent does.
test("opting out is a denial also where the rule itself does not say so", () => {
  const policyRule = { coding: [{ system: "http://terminology.hl7.org/CodeSystem/v3-ActCode", code: "OPTOUT" }] };
  const narrowed = { actor: [client("app")], period: { end: "2026-06-30" } };
  expect(denials(undefined, { policyRule })).toMatchObject([{ permitted: [] }]);
  const [denial] = denials(narrowed, { policyRule });
  expect(denial).not.toHaveProperty("deniedTo");
  expect(denial?.endMs).toBe(Date.parse("2026-06-30T23:00:00Z"));
});

describe("its time", () => {
  const times = (provision: ConsentProvision, dateTime?: string) =>
    denials({ type: "deny", ...provision }, dateTime === undefined ? {} : { dateTime }).map(({ startMs, endMs }) =>
      [startMs, endMs].map((ms) => (Number.isFinite(ms) ? new Date(ms).toISOString() : ms)),
    );

  // https://hl7.org/fhir/R4/datatypes.html#Period: an end that is a date is inside.
  test("is that of the rule, days in the zone of the person", () => {
    expect(times({ period: { start: "2026-06-01", end: "2026-06-30" } })).toEqual([
      ["2026-05-31T23:00:00.000Z", "2026-06-30T23:00:00.000Z"],
    ]);
    expect(times({ period: { start: "2026-06-01T12:00:00Z", end: "2026-06" } })).toEqual([
      ["2026-06-01T12:00:00.000Z", "2026-06-30T23:00:00.000Z"],
    ]);
  });

  test("begins no earlier than it was given", () => {
    expect(times({}, "2026-06-05T08:00:00Z")).toEqual([["2026-06-05T08:00:00.000Z", Number.POSITIVE_INFINITY]]);
    expect(times({ period: { start: "2026-06-01" } }, "2026-06-05T08:00:00Z")[0]?.[0]).toBe("2026-06-05T08:00:00.000Z");
    expect(times({ period: { start: "2026-06-09" } }, "2026-06-05T08:00:00Z")[0]?.[0]).toBe("2026-06-08T23:00:00.000Z");
  });
});

describe("actors and classes narrow it", () => {
  test("to clients, organisations and resource types", () => {
    expect(
      extent({
        type: "deny",
        actor: [client("app"), organization("ward")],
        class: [ofType("Observation"), ofType("Task")],
      }),
    ).toEqual([{ deniedTo: [app, ward], types: ["Observation", "Task"], permitted: [] }]);
  });

  test.each<[string, ConsentProvision]>([
    ["a person as actor", { actor: [client("app"), { role, reference: { reference: "Practitioner/x" } }] }],
    [
      "an organisation at another address",
      { actor: [{ role, reference: { reference: "https://else.example/fhir/Organization/ward" } }] },
    ],
    ["an identifier of others", { actor: [{ role, reference: { identifier: { system: "urn:x", value: "app" } } }] }],
    ["a class that is no resource type", { class: [ofType("Observation"), ofType("Observations")] }],
    ["a class of another system", { class: [{ system: "urn:ietf:bcp:13", code: "application/pdf" }] }],
    ["a denial inside it", { actor: [client("app")], provision: [{ type: "deny", class: [ofType("Task")] }] }],
    ["a rule inside it that is of no type", { actor: [client("app")], provision: [{ actor: [client("b")] }] }],
    ["a modifier", { actor: [client("app")], modifierExtension: [{ url: "urn:x", valueBoolean: true }] }],
  ])("but with %s it denies everything to everybody", (_what, provision) => {
    expect(extent({ type: "deny", ...provision })).toEqual(everything);
  });

  test.each<[string, ConsentProvision]>([
    ["a purpose", { purpose: [{ system: "http://terminology.hl7.org/CodeSystem/v3-ActReason", code: "HMARKT" }] }],
    ["a label", { securityLabel: [{ system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", code: "R" }] }],
    ["a code", { code: [{ text: "sleep" }] }],
    ["some data", { data: [{ meaning: "instance", reference: { reference: "Observation/o" } }] }],
    ["a period of the data", { dataPeriod: { start: "2020" } }],
    ["an action", { action: [{ text: "collect" }] }],
  ])("and %s does not narrow it any further", (_what, provision) => {
    expect(extent({ type: "deny", actor: [client("app")], ...provision })).toEqual([
      { deniedTo: [app], types: undefined, permitted: [] },
    ]);
  });
});

describe("a permit inside it", () => {
  const except = (...provision: ConsentProvision[]) =>
    denials({ type: "deny", provision }).map(({ permitted }) => permitted);

  test("is an exception for an actor, a class, or both", () => {
    expect(except({ type: "permit", actor: [client("app"), organization("ward")] })).toEqual([
      [`${app}/any`, `${ward}/any`],
    ]);
    expect(except({ type: "permit", class: [ofType("Device")] })).toEqual([["any/Device"]]);
    expect(except({ type: "permit", actor: [client("app")], class: [ofType("Device"), ofType("Task")] })).toEqual([
      [`${app}/Device`, `${app}/Task`],
    ]);
  });

  test("of what is not understood is none", () => {
    const practitioner = { role, reference: { reference: "Practitioner/x" } };
    expect(except({ type: "permit", actor: [practitioner, client("app")] })).toEqual([[`${app}/any`]]);
    expect(except({ type: "permit", actor: [practitioner] })).toEqual([[]]);
    expect(except({ type: "permit" })).toEqual([[]]);
    expect(except({ type: "permit", actor: [client("app")], purpose: [{ code: "TREAT" }] })).toEqual([[]]);
    expect(except({ type: "permit", actor: [client("app")], period: { end: "2099" } })).toEqual([[]]);
    expect(except({ type: "permit", actor: [client("app")], provision: [{ type: "deny" }] })).toEqual([[]]);
  });
});

test("denials inside a permit each hold, with their own exceptions and no longer than both", () => {
  const found = denials({
    type: "permit",
    period: { start: "2026-01-01T00:00:00Z", end: "2026-12-31T00:00:00Z" },
    provision: [
      { type: "deny", actor: [client("app")], period: { end: "2026-06-01T00:00:00Z" } },
      { type: "deny", class: [ofType("Observation")], provision: [{ type: "permit", actor: [organization("ward")] }] },
    ],
  });
  expect(found).toMatchObject([
    { position: 0, deniedTo: [app], permitted: [], endMs: Date.parse("2026-06-01T00:00:00Z") },
    { position: 1, types: ["Observation"], permitted: [`${ward}/any`], endMs: Date.parse("2026-12-31T00:00:00Z") },
  ]);
  expect(new Set(found.map(({ startMs }) => startMs))).toEqual(new Set([Date.parse("2026-01-01T00:00:00Z")]));
});
