import { evalFhirPathTyped, toTypedValue, tryGetDataType } from "@medplum/core";
import { type OfficialParameter, officialSearchParameters } from "../r4/search-parameters.ts";
import { type Atom, compileAtom, operandIsOf, unionOperands } from "./atoms.ts";
import { type CompositeRoot, compositeRoots } from "./composite.ts";
import type { ParameterKind } from "./parameter-kind.ts";

/** One search parameter of one type, as the official definition states it. */
export interface Parameter {
  readonly code: string;
  readonly kind: ParameterKind;
  readonly url: string;
  /** Types a reference may point to. */
  readonly targets: readonly string[];
  /** Operands of the expression for this type; none for composites. */
  readonly atoms: readonly Atom[];
  /** The elements whose parts a composite takes together; none for the other kinds. */
  readonly roots: readonly CompositeRoot[];
  /** Whether a resource has at most one value under this parameter. */
  readonly single: boolean;
}

/** Bases whose parameters every type inherits. */
const commonBases = ["Resource", "DomainResource"];

/** Parameters of every resource that the store answers from columns of its own. */
const columnParameters = new Set(["_id", "_lastUpdated"]);

let kindsByUrl: ReadonlyMap<string, ParameterKind> | undefined;

/** The parameters of one type by code: R4's own, and those of `added` that do not replace one. */
export function parametersOf(type: string, added: readonly OfficialParameter[]): ReadonlyMap<string, Parameter> {
  const found = new Map<string, Parameter>();
  for (const one of [...officialOf(type), ...added]) {
    const common = one.base.find((base) => commonBases.includes(base));
    if (common === undefined && !one.base.includes(type as never)) continue;
    if (one.expression === undefined || one.type === "special") continue;
    if (found.has(one.code) || columnParameters.has(one.code)) continue;
    found.set(one.code, parameterOf(type, one, common));
  }
  return found;
}

let placesByBase: ReadonlyMap<string, readonly number[]> | undefined;

/** R4's parameters of one type and of every type, in R4's order: of several by one code the first counts. */
function officialOf(type: string): readonly OfficialParameter[] {
  const official = officialSearchParameters();
  placesByBase ??= placesOf(official);
  const places = [type, ...commonBases].flatMap((base) => placesByBase?.get(base) ?? []);
  return [...new Set(places)].sort((a, b) => a - b).flatMap((at) => official[at] ?? []);
}

function placesOf(parameters: readonly OfficialParameter[]): ReadonlyMap<string, readonly number[]> {
  const found = new Map<string, number[]>();
  for (const [at, { base }] of parameters.entries()) {
    for (const one of base) {
      const known = found.get(one);
      if (known === undefined) found.set(one, [at]);
      else known.push(at);
    }
  }
  return found;
}

function parameterOf(type: string, one: OfficialParameter, common: string | undefined): Parameter {
  const kind = one.type as ParameterKind;
  const all = unionOperands(one.expression ?? "");
  const operands =
    common === undefined
      ? all.filter((operand) => operandIsOf(type, operand))
      : all.map((operand) => operand.replace(common, type));
  const described = { code: one.code, kind, url: one.url, targets: one.target ?? [] };
  if (kind === "composite") {
    const components = (one.component ?? []).map(({ definition, expression }) => ({
      kind: kindOf(definition),
      expression,
    }));
    return { ...described, atoms: [], roots: compositeRoots(type, operands, components, atomOf), single: false };
  }
  const atoms = operands.map((operand) => atomOf(type, kind, operand));
  const single = operands.length === 1 && isSingle(operands[0] ?? "");
  return { ...described, atoms, roots: [], single };
}

function atomOf(type: string, kind: ParameterKind, operand: string): Atom {
  return compileAtom(type, kind, operand, choiceTypes, interpret);
}

function kindOf(definition: string): ParameterKind {
  kindsByUrl ??= new Map(officialSearchParameters().map((one) => [one.url, one.type as ParameterKind]));
  const kind = kindsByUrl.get(definition);
  if (kind === undefined) throw new Error(`a composite names ${definition}, which R4 does not define`);
  return kind;
}

/** Whether every element of a plain path may occur once at most; a filter behind it leaves at most as many. */
function isSingle(operand: string): boolean {
  const [type, ...names] = (/^\w+(?:\.\w+\b(?!\())*/.exec(operand)?.[0] ?? "").split(".");
  let schema = tryGetDataType(type ?? "");
  for (const name of names) {
    const element = schema?.elements[name] ?? schema?.elements[`${name}[x]`];
    if (element === undefined || element.isArray) return false;
    schema = tryGetDataType(element.type[0]?.code ?? "") ?? undefined;
  }
  return names.length > 0;
}

/** The data types of a choice element (`Observation.component.value` → Quantity, string …); empty for any other element. */
function choiceTypes(path: string): readonly string[] {
  const [type, ...names] = path.split(".");
  let schema = tryGetDataType(type ?? "");
  for (const [i, name] of names.entries()) {
    const last = i === names.length - 1;
    const choice = schema?.elements[`${name}[x]`];
    if (last) return choice?.type.map((one) => one.code) ?? [];
    const next = schema?.elements[name]?.type[0]?.code;
    schema = next === undefined ? undefined : (tryGetDataType(next) ?? undefined);
  }
  return [];
}

function interpret(operand: string, resource: object): unknown[] {
  return evalFhirPathTyped(operand, [toTypedValue(resource)]).map((typed) => typed.value as unknown);
}
