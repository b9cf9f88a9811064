import { type Refusal, type Result, refused } from "../../domain/result.ts";
import type { Definitions } from "../definitions.ts";
import { splitUnescaped } from "./escape.ts";

/** What reading a condition needs to know besides its text. */
export interface ClauseContext {
  readonly definitions: Definitions;
  readonly nowMs: number;
  /** How many more links a chain may follow. */
  readonly linksLeft: number;
}

/** The most values that one parameter may join by commas. */
const mostAlternatives = 500;

/** The refusal of one parameter of a search. */
export function refusedParameter(kind: Refusal["kind"], name: string, detail: string): Result<never> {
  return refused({ kind, detail, at: name.slice(0, 128), status: 400 });
}

/** The refusal of a modifier that this parameter does not take. */
export function refusedModifier(name: string, modifier: string, taken: readonly string[]): Result<never> {
  const instead =
    taken.length === 0
      ? "It takes none but :missing."
      : `It takes ${taken.map((one) => `:${one}`).join(", ")} and :missing.`;
  return refusedParameter(
    "not-supported",
    name,
    `The modifier ":${modifier.slice(0, 32)}" is not supported for this parameter. ${instead}`,
  );
}

/** The same refusals under the name of the parameter that they are about. */
export function named(refusals: readonly Refusal[], name: string): Result<never> {
  return refused(...refusals.map((refusal) => ({ ...refusal, at: name.slice(0, 128) })));
}

/** The alternatives between commas: at least one, none of them empty or with a NUL, no more than the bound. */
export function alternatives(name: string, value: string): Result<readonly string[]> {
  const values = splitUnescaped(value, ",");
  if (values.length > mostAlternatives)
    return refusedParameter("too-costly", name, `At most ${mostAlternatives} alternatives may be asked for at once.`);
  if (values.some((one) => one === ""))
    return refusedParameter("value", name, "The value is empty. Leave the parameter out or give it a value.");
  // No FHIR string has it (https://hl7.org/fhir/R4/datatypes.html#string), and PostgreSQL takes no text with it.
  if (value.includes("\u0000")) return refusedParameter("value", name, "A FHIR string has no NUL character.");
  return { ok: true, value: values };
}
