import type { ElementDefinition, StructureDefinition } from "@medplum/fhirtypes";
import type { Refusal } from "../../domain/result.ts";
import { structureBase } from "../r4/structures.ts";
import { planOf } from "./type-plan.ts";

type Members = Readonly<Record<string, unknown>>;

/** What a profile asks of one element of the resource beyond R4. */
export interface ProfileRule {
  /** Path in FHIRPath: `Observation.effective`. */
  readonly at: string;
  readonly isMandatory: boolean;
  /** JSON members under which the element may stand. */
  readonly keys: readonly string[];
  /** Those that R4 allows and the profile does not: other types of a choice. */
  readonly otherKeys: readonly string[];
  /** A coding that the element must have. */
  readonly pattern?: CodingPattern;
}

interface CodingPattern {
  readonly system?: string;
  readonly code?: string;
}

const known = new WeakMap<StructureDefinition, readonly ProfileRule[] | undefined>();

/** Members of an element that a rule can hold, or that say nothing to check. */
const understood = new Set(["id", "path", "min", "max", "short", "type", "patternCodeableConcept"]);

/**
 * The rules of a profile on R4's own definition of its type, made once, where its differential says no more than that
 * elements of the resource must be there, be of one type, and have a coding. Undefined for any other profile: those are
 * left to the library, which takes 2 ms for what takes 0.001 ms here (measured).
 */
export function profileRules(profile: StructureDefinition): readonly ProfileRule[] | undefined {
  if (!known.has(profile)) known.set(profile, rulesOf(profile));
  return known.get(profile);
}

function rulesOf({ type, baseDefinition, differential, derivation }: StructureDefinition): ProfileRule[] | undefined {
  if (derivation !== "constraint" || baseDefinition !== structureBase + type || differential === undefined)
    return undefined;
  const [root, ...elements] = differential.element;
  if (root === undefined || Object.keys(root).some((key) => key !== "id" && key !== "path")) return undefined;
  const rules = elements.map((element) => ruleOf(type ?? "", element));
  return rules.includes(undefined) ? undefined : (rules as ProfileRule[]);
}

function ruleOf(type: string, element: ElementDefinition): ProfileRule | undefined {
  const { path = "", min = 0, max, patternCodeableConcept: concept } = element;
  const name = path.slice(type.length + 1).replace("[x]", "");
  const plans = [...(planOf(type)?.elements.values() ?? [])].filter((one) => one.name === name);
  const isPlain = Object.keys(element).every((key) => understood.has(key)) && /^[A-Za-z]+$/.test(name);
  if (!isPlain || max !== undefined || plans.length === 0) return undefined;
  const types = element.type?.map((one) => one.code);
  const isKept = (one: string) => types === undefined || types.includes(one);
  const keys = plans.filter((one) => isKept(one.type)).map((one) => one.key);
  const otherKeys = plans.filter((one) => !isKept(one.type)).map((one) => one.key);
  const rule = { at: `${type}.${name}`, isMandatory: min > 0, keys, otherKeys };
  if (concept === undefined) return rule;
  const [coding, ...more] = concept.coding ?? [];
  const isArray = plans.some((one) => one.isArray);
  if (coding === undefined || more.length > 0 || concept.text !== undefined || isArray) return undefined;
  const { system, code, ...rest } = coding;
  if (Object.keys(rest).length > 0) return undefined;
  return {
    ...rule,
    pattern: { ...(system === undefined ? {} : { system }), ...(code === undefined ? {} : { code }) },
  };
}

/** What of a resource that R4 allows breaks the rules of a profile. */
export function profileRuleFaults(rules: readonly ProfileRule[], resource: Members): Refusal[] {
  const faults: Refusal[] = [];
  const fault = (at: string, detail: string) => faults.push({ kind: "structure", detail, at, status: 400 });
  for (const { at, isMandatory, keys, otherKeys, pattern } of rules) {
    const key = keys.find((one) => resource[one] !== undefined);
    const other = otherKeys.find((one) => resource[one] !== undefined);
    const name = at.slice(at.indexOf(".") + 1);
    if (other !== undefined) fault(at, `The profile does not allow ${other}. Use ${keys.join(" or ")}.`);
    else if (key === undefined && isMandatory) fault(at, `${name} is missing, the profile asks for it.`);
    if (key !== undefined && pattern !== undefined && !hasCoding(resource[key], pattern))
      fault(at, `The profile asks for a coding ${said(pattern)} in ${name}.`);
  }
  return faults;
}

function hasCoding(concept: unknown, { system, code }: CodingPattern): boolean {
  const { coding } = concept as { coding?: readonly CodingPattern[] };
  return (
    coding?.some(
      (one) => (system === undefined || one.system === system) && (code === undefined || one.code === code),
    ) ?? false
  );
}

function said({ system, code }: CodingPattern): string {
  return code === undefined ? `of ${system}` : `${code} of ${system}`;
}
