import type {
  CapabilityStatementRestResourceOperation,
  OperationDefinition,
  OperationDefinitionParameter,
} from "@medplum/fhirtypes";
import { canonical } from "./terminology/canonical.ts";

/** Where an operation is asked for: `/$code`, `/Type/$code` or `/Type/id/$code`. */
export type OperationLevel = "system" | "type" | "instance";

/** What an operation of our own must say about itself, since no one else defines it. */
export interface OwnOperation {
  /** Id of the OperationDefinition; its address is `canonical("OperationDefinition", id)`. */
  readonly id: string;
  readonly title: string;
  readonly description: string;
  readonly affectsState: boolean;
  readonly parameters: readonly OperationDefinitionParameter[];
}

/** One operation that this service answers (https://hl7.org/fhir/R4/operations.html). */
export interface Operation {
  /** Without the `$`. */
  readonly code: string;
  /** The types that it is for; `every` for all that are switched on. */
  readonly types: readonly string[] | "every";
  readonly levels: readonly OperationLevel[];
  /** The address of its definition, its last part for those of R4 itself; or the whole definition of our own. */
  readonly definition: string | OwnOperation;
}

const officialBase = "http://hl7.org/fhir/OperationDefinition";

/** Bulk Data Access 2.0.0 (https://hl7.org/fhir/uv/bulkdata/STU2/operations.html). */
const bulkDataBase = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition";

/** Subscriptions R5 Backport 1.1.0 (https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/operations.html). */
const backportBase = "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition";

const bulkImport: OwnOperation = {
  id: "bulk-import",
  title: "Bulk Import",
  description:
    "Takes resources in as NDJSON (application/fhir+ndjson, plain or gzip), one a line, that are the body of the request and no parameter. A line with an id is an update, one that says what is stored already changes nothing, one without an id is a create. Answered with 202 and Content-Location, where it is asked after as an export is; the answer at the end names the outcomes of refused lines, and the lines themselves.",
  affectsState: true,
  parameters: [],
};

/** Every operation that this service answers; what /metadata declares and what is served as OperationDefinition come from here. */
export const operations: readonly Operation[] = [
  { code: "validate", types: "every", levels: ["type", "instance"], definition: "Resource-validate" },
  { code: "meta", types: "every", levels: ["system", "type", "instance"], definition: "Resource-meta" },
  { code: "meta-add", types: "every", levels: ["instance"], definition: "Resource-meta-add" },
  { code: "meta-delete", types: "every", levels: ["instance"], definition: "Resource-meta-delete" },
  { code: "everything", types: ["Patient"], levels: ["instance"], definition: "Patient-everything" },
  { code: "match", types: ["Patient"], levels: ["type"], definition: "Patient-match" },
  { code: "lastn", types: ["Observation"], levels: ["type"], definition: "Observation-lastn" },
  { code: "expand", types: ["ValueSet"], levels: ["type", "instance"], definition: "ValueSet-expand" },
  { code: "validate-code", types: ["ValueSet"], levels: ["type", "instance"], definition: "ValueSet-validate-code" },
  {
    code: "evaluate-measure",
    types: ["Measure"],
    levels: ["type", "instance"],
    definition: "Measure-evaluate-measure",
  },
  { code: "lookup", types: ["CodeSystem"], levels: ["type"], definition: "CodeSystem-lookup" },
  {
    code: "status",
    types: ["Subscription"],
    levels: ["type", "instance"],
    definition: `${backportBase}/backport-subscription-status`,
  },
  {
    code: "events",
    types: ["Subscription"],
    levels: ["instance"],
    definition: `${backportBase}/backport-subscription-events`,
  },
  { code: "export", types: [], levels: ["system"], definition: `${bulkDataBase}/export` },
  { code: "export", types: ["Patient"], levels: ["type"], definition: `${bulkDataBase}/patient-export` },
  { code: "export", types: ["Group"], levels: ["instance"], definition: `${bulkDataBase}/group-export` },
  { code: "import", types: [], levels: ["system"], definition: bulkImport },
];

/** The canonical address of an operation's definition: the official one, or our own. */
export function operationUrl(operation: Operation): string {
  const { definition } = operation;
  if (typeof definition !== "string") return canonical("OperationDefinition", definition.id);
  return definition.startsWith("http:") ? definition : `${officialBase}/${definition}`;
}

/** The operations of one type that are asked for on the type or an instance. */
export function operationsOfType(type: string, table: readonly Operation[] = operations): readonly Operation[] {
  return table.filter((one) => isForType(one, type) && one.levels.some((level) => level !== "system"));
}

/** The operations that are asked for at the base address. */
export function systemOperations(table: readonly Operation[] = operations): readonly Operation[] {
  return table.filter((one) => one.levels.includes("system"));
}

function isForType(operation: Operation, type: string): boolean {
  return operation.types === "every" || operation.types.includes(type);
}

/** The entry of /metadata for an operation; `levels` are those that the entry stands for. */
export function declaredOperation(
  operation: Operation,
  levels: readonly OperationLevel[],
): CapabilityStatementRestResourceOperation {
  const answered = operation.levels.filter((level) => levels.includes(level));
  return {
    name: operation.code,
    definition: operationUrl(operation),
    documentation: `Answered on: ${answered.join(", ")}.`,
  };
}

/** The OperationDefinitions of our own operations. */
export function operationDefinitions(
  table: readonly Operation[] = operations,
): (OperationDefinition & { id: string })[] {
  return table.flatMap((operation) =>
    typeof operation.definition === "string" ? [] : [definitionOf(operation, operation.definition)],
  );
}

function definitionOf(operation: Operation, own: OwnOperation): OperationDefinition & { id: string } {
  const has = (level: OperationLevel) => operation.levels.includes(level);
  return {
    resourceType: "OperationDefinition",
    id: own.id,
    url: operationUrl(operation),
    name: own.title.replace(/[^A-Za-z0-9]/g, ""),
    title: own.title,
    status: "active",
    kind: "operation",
    description: own.description,
    affectsState: own.affectsState,
    code: operation.code,
    ...(operation.types.length === 0
      ? {}
      : {
          resource: (operation.types === "every" ? ["Resource"] : [...operation.types]) as NonNullable<
            OperationDefinition["resource"]
          >,
        }),
    system: has("system"),
    type: has("type"),
    instance: has("instance"),
    ...(own.parameters.length === 0 ? {} : { parameter: [...own.parameters] }),
  };
}
