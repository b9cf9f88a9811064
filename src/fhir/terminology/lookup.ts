import type { CodeSystemConceptProperty, Coding, Parameters, ParametersParameter } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../../domain/result.ts";
import type { ParameterRules } from "../parameters.ts";
import { type CodeSources, type CodeTable, isAbstract } from "./code-table.ts";

/** What `$lookup` takes (https://hl7.org/fhir/R4/codesystem-operation-lookup.html). */
export const lookupRules = {
  system: { type: "uri" },
  code: { type: "code" },
  version: { type: "string" },
  coding: { type: "Coding" },
  property: { type: "code", repeats: true },
} as const satisfies ParameterRules;

/** The concept asked for: system and code, or a coding with both. */
export interface LookupInput {
  readonly system?: string;
  readonly code?: string;
  readonly version?: string;
  readonly coding?: Coding;
  /** Names of the properties wanted; none means all. */
  readonly property: readonly string[];
}

/** Which concept is asked for; refused unless it comes in exactly one way, with both system and code. */
export function conceptAskedFor(input: LookupInput): Result<{ system: string; code: string; version?: string }> {
  const { coding } = input;
  if (coding !== undefined && (input.system !== undefined || input.code !== undefined)) {
    return wrongInput("Send either system and code, or a coding.");
  }
  const { system, code, version } = coding ?? input;
  if (system === undefined || code === undefined) {
    return wrongInput("A look-up needs both a system and a code, as system and code or in a coding.");
  }
  return accepted({ system, code, ...(version === undefined ? {} : { version }) });
}

function wrongInput(detail: string): Result<never> {
  return refused({ kind: "required", detail, status: 400 });
}

/** Everything held about one concept, as the operation's out parameters. Unknown systems and codes are refused with 400, as the page prints it. */
export function lookUp(sources: CodeSources, input: LookupInput): Result<Parameters> {
  const asked = conceptAskedFor(input);
  if (!asked.ok) return asked;
  const { system, code, version } = asked.value;
  const table = sources.codeTable(system);
  if (table === undefined) return notFound(`The code system ${system.slice(0, 200)} is not held here.`);
  if (version !== undefined && table.version !== undefined && version !== table.version) {
    return notFound(`Of ${table.url}, version ${table.version} is held here, not ${version.slice(0, 64)}.`);
  }
  const display = table.displays.get(code);
  if (display === undefined) return notFound(`The code "${code.slice(0, 64)}" is not in ${table.url}.`);
  const { designation = [] } = table.details.get(code) ?? {};
  const wanted = (name: string) => input.property.length === 0 || input.property.includes(name);
  const parameter: ParametersParameter[] = [
    { name: "name", valueString: table.name },
    ...(table.version === undefined ? [] : [{ name: "version", valueString: table.version }]),
    // R4 asks for a display; a concept without one goes by its code.
    { name: "display", valueString: display === "" ? code : display },
    { name: "abstract", valueBoolean: isAbstract(table, code) },
    ...designation.filter((one) => wanted("designation") || wanted(`lang.${one.language}`)).map(designationPart),
    ...propertiesOf(table, code)
      .filter((one) => wanted(one.code))
      .map(propertyPart),
  ];
  return accepted({ resourceType: "Parameters", parameter });
}

function notFound(detail: string): Result<never> {
  return refused({ kind: "not-found", detail, status: 400 });
}

type Designation = NonNullable<NonNullable<ReturnType<CodeTable["details"]["get"]>>["designation"]>[number];

function designationPart({ language, use, value }: Designation): ParametersParameter {
  const part: ParametersParameter[] = [
    ...(language === undefined ? [] : [{ name: "language", valueCode: language }]),
    ...(use === undefined ? [] : [{ name: "use", valueCoding: use }]),
    { name: "value", valueString: value },
  ];
  return { name: "designation", part };
}

/** A property with a value, and what a code in it is called. */
interface Property {
  readonly code: string;
  readonly value: Partial<CodeSystemConceptProperty>;
  readonly description?: string;
}

/** Definition, parents and children count as properties (parameter `property` of the operation's definition). */
function propertiesOf(table: CodeTable, code: string): Property[] {
  const { definition, property = [] } = table.details.get(code) ?? {};
  const relative = (name: string) => (other: string) => {
    const display = table.displays.get(other) ?? "";
    return { code: name, value: { valueCode: other }, ...(display === "" ? {} : { description: display }) };
  };
  const parents = [...table.children].filter(([, children]) => children.includes(code)).map(([parent]) => parent);
  return [
    ...(definition === undefined ? [] : [{ code: "definition", value: { valueString: definition } }]),
    ...parents.map(relative("parent")),
    ...(table.children.get(code) ?? []).map(relative("child")),
    ...property
      .filter((one) => one.code !== "parent" && one.code !== "child")
      .map(({ code: name, id: _id, extension: _extension, ...value }) => ({ code: name ?? "", value })),
  ];
}

function propertyPart({ code, value, description }: Property): ParametersParameter {
  const part: ParametersParameter[] = [
    { name: "code", valueCode: code },
    { name: "value", ...value },
    ...(description === undefined ? [] : [{ name: "description", valueString: description }]),
  ];
  return { name: "property", part };
}
