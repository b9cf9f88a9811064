import type { Visit } from "./findings.ts";
import type { ElementPlan } from "./type-plan.ts";

type Codes = ReadonlyMap<string, ReadonlyMap<string, string>>;

interface Coded {
  readonly system?: unknown;
  readonly code?: unknown;
  readonly display?: unknown;
}

/**
 * Checks a coded value against the value set its element is bound to
 * (https://hl7.org/fhir/R4/terminologies.html#strength): a required one refuses other codes, an extensible one warns.
 */
export function checkBinding(visit: Visit, element: ElementPlan, value: unknown, at: string): void {
  const { binding } = element;
  if (binding === undefined || (binding.strength === "extensible" && visit.warnings === undefined)) return;
  const codes = visit.codesOf(binding.valueSet);
  if (codes === undefined) return;
  const outside = codeOutside(element.type, value, codes);
  if (outside === undefined) return;
  const only = listed(codes);
  if (binding.strength === "required") {
    const detail = `${outside.what} is not in the value set ${binding.valueSet}.${only}`;
    visit.errors.push({ kind: "code-invalid", detail, at: `${at}${outside.where}`, status: 422 });
  } else {
    const detail = `${outside.what} is not in the value set ${binding.valueSet}. Use one of its codes where one fits.`;
    visit.warnings?.push({ kind: "code-invalid", detail, at: `${at}${outside.where}` });
  }
}

interface Outside {
  readonly what: string;
  readonly where: string;
}

function codeOutside(type: string, value: unknown, codes: Codes): Outside | undefined {
  if (typeof value === "string") return codeIsIn(codes, value) ? undefined : { what: quoted(value), where: "" };
  if (typeof value !== "object" || value === null) return undefined;
  if (type === "CodeableConcept") return conceptOutside((value as { coding?: unknown }).coding, codes);
  // A Coding or a Quantity: of a Quantity the unit is what is coded.
  const coded = value as Coded;
  if (typeof coded.code !== "string") return undefined;
  return codingIsIn(codes, coded) ? undefined : { what: named(coded), where: ".code" };
}

/** One coding of the value set is enough, others may stand beside it; words alone are no code of it. */
function conceptOutside(coding: unknown, codes: Codes): Outside | undefined {
  if (!Array.isArray(coding) || coding.length === 0) return { what: "A concept without a coding", where: "" };
  if ((coding as (Coded | null)[]).some((one) => one !== null && codingIsIn(codes, one))) return undefined;
  const [first] = coding as (Coded | null)[];
  return { what: coding.length === 1 && first != null ? named(first) : "None of these codings", where: ".coding" };
}

function codeIsIn(codes: Codes, code: string): boolean {
  for (const ofSystem of codes.values()) if (ofSystem.has(code)) return true;
  return false;
}

/** Without a system a coding names no code of any value set (https://hl7.org/fhir/R4/datatypes.html#Coding). */
function codingIsIn(codes: Codes, { system, code }: Coded): boolean {
  return typeof system === "string" && typeof code === "string" && codes.get(system)?.has(code) === true;
}

function named({ system, code }: Coded): string {
  return typeof system === "string" ? `${quoted(code)} of ${system.slice(0, 200)}` : `${quoted(code)} without a system`;
}

function quoted(code: unknown): string {
  return `"${String(code).slice(0, 64)}"`;
}

/** The codes themselves where they are few enough to help. */
function listed(codes: Codes): string {
  const all = [...codes.values()].flatMap((ofSystem) => [...ofSystem.keys()]);
  return all.length > 20 ? "" : ` It has: ${all.join(", ")}.`;
}
