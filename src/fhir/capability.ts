import type {
  CapabilityStatement,
  CapabilityStatementRestResource,
  CapabilityStatementRestResourceSearchParam,
} from "@medplum/fhirtypes";
import type { Definitions } from "./definitions.ts";

/** What /metadata needs to know beyond the definitions. */
export interface CapabilityFacts {
  readonly baseUrl: string;
  readonly softwareVersion: string;
  /** When this statement last changed, as a FHIR dateTime. */
  readonly date: string;
}

/** Control parameters that every type answers to. */
const commonParameters: readonly CapabilityStatementRestResourceSearchParam[] = [
  { name: "_id", type: "token", definition: "http://hl7.org/fhir/SearchParameter/Resource-id" },
  { name: "_lastUpdated", type: "date", definition: "http://hl7.org/fhir/SearchParameter/Resource-lastUpdated" },
];

/** The CapabilityStatement of what is really switched on (https://hl7.org/fhir/R4/capabilitystatement.html). */
export function capabilityStatement(definitions: Definitions, facts: CapabilityFacts): CapabilityStatement {
  return {
    resourceType: "CapabilityStatement",
    status: "active",
    date: facts.date,
    kind: "instance",
    software: { name: "Tidegate", version: facts.softwareVersion },
    implementation: {
      description:
        "Device use, prescriptions and safety flags of assisted cough at home. For information: not a monitor and not an alarm. Dates without a zone are read in UTC.",
      url: facts.baseUrl,
    },
    fhirVersion: "4.0.1",
    format: ["application/fhir+json", "json"],
    rest: [
      {
        mode: "server",
        security: { description: "A bearer token in the Authorization header; each is bound to one tenant." },
        resource: definitions.types.map((type) => resourceOf(definitions, type)),
        interaction: [{ code: "transaction" }],
      },
    ],
  };
}

function resourceOf(definitions: Definitions, type: string): CapabilityStatementRestResource {
  const parameters = [...definitions.parameters(type).values()].filter((one) => one.kind !== "composite");
  const references = parameters.filter((one) => one.kind === "reference").map((one) => `${type}:${one.code}`);
  return {
    type: type as never,
    interaction: ["read", "vread", "update", "delete", "create", "search-type"].map((code) => ({
      code: code as "read",
    })),
    versioning: "versioned-update",
    readHistory: true,
    updateCreate: true,
    conditionalCreate: false,
    conditionalUpdate: false,
    conditionalDelete: "not-supported",
    ...(references.length === 0 ? {} : { searchInclude: references }),
    ...revincludes(definitions, type),
    searchParam: [
      ...commonParameters,
      ...parameters
        .filter((one) => !commonParameters.some((common) => common.name === one.code))
        .map((one) => ({ name: one.code, type: one.kind, definition: one.url })),
    ],
  };
}

function revincludes(definitions: Definitions, type: string): { searchRevInclude?: string[] } {
  const found = definitions.types.flatMap((source) =>
    [...definitions.parameters(source).values()]
      .filter((one) => one.kind === "reference" && one.targets.includes(type))
      .map((one) => `${source}:${one.code}`),
  );
  return found.length === 0 ? {} : { searchRevInclude: found };
}
