import { OperationOutcomeError, validateResource } from "@medplum/core";
import type {
  CodeableConcept,
  Coding,
  Identifier,
  OperationOutcomeIssue,
  Parameters,
  Reference,
} from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { ReadJson } from "./json.ts";

/** What a parameter of an operation may be, and what is handed to the operation for it. */
interface ParameterTypes {
  string: string;
  uri: string;
  code: string;
  dateTime: string;
  instant: string;
  boolean: boolean;
  integer: number;
  Coding: Coding;
  CodeableConcept: CodeableConcept;
  Identifier: Identifier;
  Reference: Reference;
  /** A resource of any type, as parsed and with numbers as written; its content is for the operation to check. */
  Resource: ReadJson;
}

type ParameterType = keyof ParameterTypes;

/** One parameter that an operation takes (https://hl7.org/fhir/R4/operationdefinition.html). */
export interface ParameterRule {
  readonly type: ParameterType;
  /** It may come more than once, and is handed over as an array, empty when it did not come. */
  readonly repeats?: true;
  readonly required?: true;
}

/** Every parameter of an operation by name. */
export type ParameterRules = Readonly<Record<string, ParameterRule>>;

/** What came for each parameter; one that did not come is absent, a repeating one is an empty array. */
export type ParameterValues<Rules extends ParameterRules> = {
  readonly [Name in keyof Rules as Rules[Name] extends { repeats: true } | { required: true }
    ? Name
    : never]: Rules[Name] extends { repeats: true }
    ? readonly ParameterTypes[Rules[Name]["type"]][]
    : ParameterTypes[Rules[Name]["type"]];
} & {
  readonly [Name in keyof Rules as Rules[Name] extends { repeats: true } | { required: true }
    ? never
    : Name]?: ParameterTypes[Rules[Name]["type"]];
};

/** Input of an operation as a door has it: the query of the address and, for a POST, the body. */
export interface OperationInput {
  readonly query: readonly (readonly [name: string, value: string])[];
  readonly body?: ReadJson;
}

/** General parameters of every request (https://hl7.org/fhir/R4/http.html#parameters); they are no operation's own. */
const generalParameters = new Set(["_format", "_pretty", "_summary", "_elements"]);

/** A parameter as it came, with where it stood. */
interface Came {
  readonly name: string;
  readonly at?: string;
  readonly text?: string;
  readonly sent?: Sent;
}

/** A parameter of a Parameters resource: one value[x] or a resource. */
interface Sent {
  readonly type: string;
  readonly value: unknown;
  readonly exact: unknown;
}

/**
 * Reads the input of an operation alike from a GET and from a posted Parameters resource
 * (https://hl7.org/fhir/R4/operations.html#request). A body that is no Parameters resource is taken as the parameter
 * `soleResource`, where the operation names one. Needs the definitions loaded (`createDefinitions`). Refused: unknown
 * and missing parameters, one that came twice, a value of another type.
 */
export function readParameters<Rules extends ParameterRules>(
  rules: Rules,
  input: OperationInput,
  soleResource?: keyof Rules & string,
): Result<ParameterValues<Rules>> {
  const inBody = bodyParameters(input.body, soleResource);
  if (!inBody.ok) return inBody;
  const inQuery = input.query
    .filter(([name]) => rules[name] !== undefined || !generalParameters.has(name))
    .map(([name, text]) => ({ name, text }));
  const refusals: Refusal[] = [];
  const values: Record<string, unknown> = {};
  for (const [name, rule] of Object.entries(rules)) if (rule.repeats) values[name] = [];
  for (const came of [...inQuery, ...inBody.value]) {
    const rule = Object.hasOwn(rules, came.name) ? rules[came.name] : undefined;
    const value = rule === undefined ? refused(unknownParameter(rules, came)) : readValue(rule, came);
    if (!value.ok) refusals.push(...value.refusals);
    else if (rule?.repeats) (values[came.name] as unknown[]).push(value.value);
    else if (came.name in values) refusals.push(cameTwice(came));
    else values[came.name] = value.value;
  }
  if (refusals.length === 0) refusals.push(...missingParameters(rules, values));
  return refusals.length > 0 ? refused(...refusals.slice(0, 50)) : accepted(values as ParameterValues<Rules>);
}

function bodyParameters(body: ReadJson | undefined, soleResource: string | undefined): Result<Came[]> {
  if (body === undefined) return accepted([]);
  const { resourceType } = body.value as { resourceType?: unknown };
  if (resourceType !== "Parameters") {
    if (typeof resourceType === "string" && soleResource !== undefined) {
      return accepted([{ name: soleResource, sent: { type: "Resource", ...body } }]);
    }
    const detail = "The body is not a Parameters resource. Send the operation's input as one.";
    return refused({ kind: "structure", detail, at: "resourceType", status: 400 });
  }
  const faults = structureFaults(body.value as Parameters);
  if (faults.length > 0) return refused(...faults);
  const exact = (body.exact as { parameter?: readonly object[] }).parameter ?? [];
  const parameters = (body.value as Parameters).parameter ?? [];
  return accepted(parameters.map((one, i) => cameInBody(one, exact[i], `Parameters.parameter[${i}]`)));
}

/** The shape of the Parameters resource itself; resources inside are for their operation to check. */
function structureFaults(parameters: Parameters): Refusal[] {
  const outer = {
    ...parameters,
    ...(Array.isArray(parameters.parameter) ? { parameter: parameters.parameter.map(withoutResource) } : {}),
  };
  return issuesOf(outer as Parameters).map((issue) => ({
    kind: "structure",
    detail: issue.details?.text ?? "The Parameters resource does not conform to R4.",
    ...(issue.expression?.[0] === undefined ? {} : { at: issue.expression[0].replaceAll("[x]", "") }),
    status: 400,
  }));
}

/** Warnings too: two values of one parameter are no more than that to the validator, and R4 forbids them. */
function issuesOf(parameters: Parameters): OperationOutcomeIssue[] {
  try {
    return validateResource(parameters).slice(0, 50);
  } catch (error) {
    if (!(error instanceof OperationOutcomeError)) throw error;
    return (error.outcome.issue ?? []).slice(0, 50);
  }
}

function withoutResource(parameter: unknown): unknown {
  const { resource } = (parameter ?? {}) as { resource?: unknown };
  if (resource === undefined) return parameter;
  // Something has to stand there: a parameter without value, resource or part is against inv-1.
  return { ...(parameter as object), resource: { resourceType: "Basic", code: { text: "left out" } } };
}

function isResource(value: unknown): boolean {
  return typeof (value as { resourceType?: unknown } | null | undefined)?.resourceType === "string";
}

function cameInBody(parameter: object, exact: unknown, at: string): Came {
  const { name } = parameter as { name: string };
  const found = Object.entries(parameter).find(([key]) => key === "resource" || key.startsWith("value"));
  if (found === undefined) return { name, at };
  const [key, value] = found;
  const type = key === "resource" ? "Resource" : key.slice("value".length);
  return { name, at, sent: { type, value, exact: (exact as Record<string, unknown> | undefined)?.[key] ?? value } };
}

/** Names in FHIR JSON of the value[x] that each type is read from; clients mix the kinds of text up, and no harm comes of it. */
const textTypes = ["String", "Uri", "Url", "Canonical", "Code", "Id", "Markdown", "Oid", "Uuid"];
const dateTypes = ["Date", "DateTime", "Instant", "String"];
const sentTypes: Readonly<Record<ParameterType, readonly string[]>> = {
  string: textTypes,
  uri: textTypes,
  code: textTypes,
  dateTime: dateTypes,
  instant: dateTypes,
  boolean: ["Boolean"],
  integer: ["Integer", "PositiveInt", "UnsignedInt"],
  Coding: ["Coding"],
  CodeableConcept: ["CodeableConcept"],
  Identifier: ["Identifier"],
  Reference: ["Reference"],
  Resource: ["Resource"],
};

function readValue(rule: ParameterRule, came: Came): Result<unknown> {
  const { sent, text } = came;
  if (sent !== undefined) {
    if (!sentTypes[rule.type].includes(sent.type)) return wrongType(rule, came);
    if (rule.type === "Resource") {
      return isResource(sent.value) ? accepted({ value: sent.value, exact: sent.exact }) : wrongType(rule, came);
    }
    return typeof sent.value === "string" ? fromText(rule, came, sent.value) : accepted(sent.value);
  }
  return text === undefined ? wrongType(rule, came) : fromText(rule, came, text);
}

// Regular expressions of https://hl7.org/fhir/R4/datatypes.html, but that year 0000 is left to the operation.
const instantShape = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$/;
const dateTimeShape = /^\d{4}(-\d\d(-\d\d(T\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?)?)?$/;

function fromText(rule: ParameterRule, came: Came, text: string): Result<unknown> {
  switch (rule.type) {
    case "boolean":
      return text === "true" || text === "false" ? accepted(text === "true") : wrongType(rule, came);
    case "integer":
      return /^-?\d{1,9}$/.test(text) ? accepted(Number(text)) : wrongType(rule, came);
    case "instant":
    case "dateTime": {
      // A plus sign of an address that was not escaped arrives as a space.
      const moment = text.replace(" ", "+");
      const shape = rule.type === "instant" ? instantShape : dateTimeShape;
      return shape.test(moment) ? accepted(moment) : wrongType(rule, came);
    }
    case "string":
    case "uri":
    case "code":
      return text === "" ? wrongType(rule, came) : accepted(text);
    default:
      return wrongType(rule, came);
  }
}

const isComplex = (type: ParameterType) => /^[A-Z]/.test(type);

function wrongType({ type }: ParameterRule, { name, at, text }: Came): Result<never> {
  const how =
    text !== undefined && isComplex(type) ? ` POST a Parameters resource with it: an address cannot hold it.` : "";
  const kind = type === "Resource" ? "a resource" : `of type ${type}, and not empty`;
  const detail = `The parameter "${name}" is ${kind}.${how}`;
  return refused({ kind: "value", detail, ...(at === undefined ? {} : { at }), status: 400 });
}

function unknownParameter(rules: ParameterRules, { name, at }: Came): Refusal {
  const known = Object.keys(rules).sort().join(", ");
  const detail = `This operation takes no parameter "${name.slice(0, 64)}" here. It takes: ${known}.`;
  return { kind: "not-supported", detail, ...(at === undefined ? {} : { at }), status: 400 };
}

function cameTwice({ name, at }: Came): Refusal {
  const detail = `The parameter "${name}" came more than once. Send it once.`;
  return { kind: "invalid", detail, ...(at === undefined ? {} : { at }), status: 400 };
}

function missingParameters(rules: ParameterRules, values: Readonly<Record<string, unknown>>): Refusal[] {
  return Object.entries(rules)
    .filter(
      ([name, rule]) => rule.required && (rule.repeats ? (values[name] as unknown[]).length === 0 : !(name in values)),
    )
    .map(([name]) => {
      const detail = `The parameter "${name}" is missing. Send it in the address or in a Parameters resource.`;
      return { kind: "required", detail, status: 400 };
    });
}

/**
 * The parameters of a Parameters resource as a search would write them, each a text: values that are primitive, and
 * references. Refuses any other, and any other resource.
 */
export function primitiveParameters(value: unknown): Result<(readonly [name: string, value: string])[]> {
  const { resourceType, parameter = [] } = value as Parameters;
  const found: (readonly [string, string])[] = [];
  if (resourceType !== "Parameters" || !Array.isArray(parameter))
    return refused({ kind: "structure", detail: "Send a Parameters resource.", at: "resourceType", status: 400 });
  for (const [i, one] of parameter.entries()) {
    const given = Object.entries(one ?? {}).find(([name]) => name.startsWith("value"))?.[1] as unknown;
    const text = (given as Reference | undefined)?.reference ?? given;
    if (typeof one?.name !== "string" || !["string", "number", "boolean"].includes(typeof text)) {
      const detail = "Each parameter has a name and one value: a string, a number, a code, a date or a reference.";
      return refused({ kind: "structure", detail, at: `Parameters.parameter[${i}]`, status: 400 });
    }
    found.push([one.name, String(text)]);
  }
  return accepted(found);
}
