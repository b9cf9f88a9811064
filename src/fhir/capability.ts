import type {
  CapabilityStatement,
  CapabilityStatementRest,
  CapabilityStatementRestResource,
  CapabilityStatementRestResourceSearchParam,
} from "@medplum/fhirtypes";
import { auditParameters } from "./audit-query.ts";
import type { Definitions } from "./definitions.ts";
import { declaredOperation, operationsOfType, systemOperations } from "./operations.ts";
import { ownProfiles } from "./profiles/own-profiles.ts";
import { backportUrls } from "./subscription.ts";
import { topics } from "./subscription-topics.ts";
import { canonical } from "./terminology/canonical.ts";

type ReferencePolicy = "check" | "accept";

/** What /metadata needs to know beyond the definitions. */
export interface CapabilityFacts {
  readonly baseUrl: string;
  readonly softwareVersion: string;
  /** When this statement last changed, as a FHIR dateTime. */
  readonly date: string;
  /** Whether local references must exist when they are committed; `check` unless it is said. */
  readonly referencePolicy?: ReferencePolicy;
}

/** The CapabilityStatement of what is really switched on (https://hl7.org/fhir/R4/capabilitystatement.html). */
export function capabilityStatement(definitions: Definitions, facts: CapabilityFacts): CapabilityStatement {
  return {
    resourceType: "CapabilityStatement",
    url: `${facts.baseUrl}/metadata`,
    version: facts.softwareVersion,
    name: "Tidegate",
    title: "Tidegate: assisted cough at home",
    status: "active",
    date: facts.date,
    kind: "instance",
    instantiates: ["http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data"],
    software: { name: "Tidegate", version: facts.softwareVersion },
    implementation: { description: implementationText, url: facts.baseUrl },
    fhirVersion: "4.0.1",
    format: ["application/fhir+json", "json"],
    patchFormat: ["application/json-patch+json", "application/fhir+json"],
    rest: [restOf(definitions, facts.referencePolicy ?? "check")],
  };
}

const implementationText =
  "Device use, prescriptions and safety flags of assisted cough at home. For information: not a monitor and not an alarm.";

const restDocumentation = [
  "Dates and times without a zone are read in UTC.",
  "Not answered, ignored with a warning by default and refused under Prefer: handling=strict: _text, _content, _filter, _query, _contained, _containedType, and Location's near.",
  "_sort takes _id, _lastUpdated and parameters of kind date and string.",
  "A PATCH is a JSON Patch (application/json-patch+json) or a FHIRPath Patch: a Parameters resource as application/fhir+json.",
  "_has takes _has:Type:reference-parameter:parameter and may be nested; reference parameters may be chained.",
].join(" ");

/** Anybody may ask for /metadata, and with all types it takes 40 ms to say: made once for each set of definitions. */
const made = new WeakMap<Definitions, Map<ReferencePolicy, CapabilityStatementRest>>();

function restOf(definitions: Definitions, policy: ReferencePolicy): CapabilityStatementRest {
  const known = made.get(definitions) ?? new Map<ReferencePolicy, CapabilityStatementRest>();
  made.set(definitions, known);
  const rest = known.get(policy) ?? freshRest(definitions, policy);
  known.set(policy, rest);
  return rest;
}

function freshRest(definitions: Definitions, policy: ReferencePolicy): CapabilityStatementRest {
  return {
    mode: "server",
    documentation: restDocumentation,
    security: { description: "A bearer token in the Authorization header; each is bound to one tenant." },
    resource: [trail, ...definitions.types.map((type) => resourceOf(definitions, type, policy))],
    interaction: [{ code: "transaction" }, { code: "batch" }, { code: "search-system" }, { code: "history-system" }],
    searchParam: [...commonParameters(definitions), special("_type", "Only in a search of the whole system.")],
    operation: systemOperations().map((one) => declaredOperation(one, ["system"])),
    ...(definitions.has("Patient") ? { compartment: ["http://hl7.org/fhir/CompartmentDefinition/patient"] } : {}),
  };
}

/** The trail of who did what is read, and written by the service alone. */
const trail: CapabilityStatementRestResource = {
  type: "AuditEvent",
  profile: "http://hl7.org/fhir/StructureDefinition/AuditEvent",
  documentation: "For clients with the scope tidegate/audit.r. Newest first; other parameters are refused.",
  interaction: [{ code: "read" }, { code: "search-type" }],
  versioning: "no-version",
  searchParam: auditParameters.map((one) => ({ ...one })),
};

const interactions = [
  "read",
  "vread",
  "update",
  "patch",
  "delete",
  "history-instance",
  "history-type",
  "create",
  "search-type",
] as const;

function resourceOf(definitions: Definitions, type: string, policy: ReferencePolicy): CapabilityStatementRestResource {
  const profiles = ownProfiles
    .filter((one) => one.type === type)
    .map((one) => canonical("StructureDefinition", one.name));
  const isTold = type === "Subscription";
  if (isTold) profiles.push(backportUrls.subscription);
  const operation = operationsOfType(type).map((one) => declaredOperation(one, ["type", "instance"]));
  return {
    // How a server of the guide says which topics it has.
    ...(isTold
      ? { extension: topics.map(({ url }) => ({ url: backportUrls.topicCanonical, valueCanonical: url })) }
      : {}),
    type: type as never,
    profile: `http://hl7.org/fhir/StructureDefinition/${type}`,
    ...(profiles.length === 0 ? {} : { supportedProfile: profiles }),
    interaction: interactions.map((code) => ({ code })),
    versioning: "versioned-update",
    readHistory: true,
    updateCreate: true,
    conditionalCreate: true,
    conditionalRead: "full-support",
    conditionalUpdate: true,
    conditionalDelete: "multiple",
    referencePolicy: policy === "check" ? ["literal", "local", "enforced"] : ["literal", "local"],
    ...includes(definitions, type),
    ...revincludes(definitions, type),
    searchParam: searchParameters(definitions, type),
    ...(operation.length === 0 ? {} : { operation }),
  };
}

/** Those of every resource first, then the type's own by name of their definition. */
function searchParameters(definitions: Definitions, type: string): CapabilityStatementRestResourceSearchParam[] {
  const common = commonParameters(definitions);
  const names = new Set(common.map((one) => one.name));
  const own = [...definitions.parameters(type).values()].filter((one) => !names.has(one.code));
  return [...common, ...own.map((one) => ({ name: one.code, type: one.kind, definition: one.url }))];
}

const official = (name: string) => `http://hl7.org/fhir/SearchParameter/${name}`;

/** What every type answers to. R4 publishes no SearchParameter for `_list` and `_has`; R5 calls them special. */
function commonParameters(definitions: Definitions): CapabilityStatementRestResourceSearchParam[] {
  return [
    { name: "_id", type: "token", definition: official("Resource-id") },
    { name: "_lastUpdated", type: "date", definition: official("Resource-lastUpdated") },
    { name: "_tag", type: "token", definition: official("Resource-tag") },
    { name: "_profile", type: "uri", definition: official("Resource-profile") },
    { name: "_security", type: "token", definition: official("Resource-security") },
    { name: "_source", type: "uri", definition: official("Resource-source") },
    ...(definitions.has("List") ? [special("_list", "The id of a List here; finds what it holds.")] : []),
    special("_has", "Reverse chaining: _has:Type:reference-parameter:parameter."),
  ];
}

function special(name: string, documentation: string): CapabilityStatementRestResourceSearchParam {
  return { name, type: "special", documentation };
}

function includes(definitions: Definitions, type: string): { searchInclude?: string[] } {
  const references = [...definitions.parameters(type).values()].filter((one) => one.kind === "reference");
  return references.length === 0 ? {} : { searchInclude: ["*", ...references.map((one) => `${type}:${one.code}`)] };
}

function revincludes(definitions: Definitions, type: string): { searchRevInclude?: string[] } {
  const found = definitions.types.flatMap((source) =>
    [...definitions.parameters(source).values()]
      .filter((one) => one.kind === "reference" && (one.targets.length === 0 || one.targets.includes(type)))
      .map((one) => `${source}:${one.code}`),
  );
  return found.length === 0 ? {} : { searchRevInclude: found };
}
