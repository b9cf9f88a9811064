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
  /** Part of the address of its official definition, or the whole definition of our own. */
  readonly definition: string | OwnOperation;
}

const officialBase = "http://hl7.org/fhir/OperationDefinition";

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
];

/** The canonical address of an operation's definition: the official one, or our own. */
export function operationUrl(operation: Operation): string {
  const { definition } = operation;
  return typeof definition === "string"
    ? `${officialBase}/${definition}`
    : canonical("OperationDefinition", definition.id);
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

/** The OperationDefinitions of our own operations; empty as long as all of them are official. */
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
    resource: (operation.types === "every" ? ["Resource"] : [...operation.types]) as NonNullable<
      OperationDefinition["resource"]
    >,
    system: has("system"),
    type: has("type"),
    instance: has("instance"),
    ...(own.parameters.length === 0 ? {} : { parameter: [...own.parameters] }),
  };
}
