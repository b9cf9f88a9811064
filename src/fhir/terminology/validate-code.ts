import type { CodeableConcept, Coding, Parameters } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../../domain/result.ts";
import type { ParameterRules } from "../parameters.ts";
import { type CodeList, type CodeSources, isAbstract } from "./code-table.ts";
import { type Codes, composedCodes } from "./compose.ts";

/** What `$validate-code` takes (https://hl7.org/fhir/R4/valueset-operation-validate-code.html). */
export const validateCodeRules = {
  url: { type: "uri" },
  valueSet: { type: "Resource" },
  valueSetVersion: { type: "string" },
  code: { type: "code" },
  system: { type: "uri" },
  systemVersion: { type: "string" },
  display: { type: "string" },
  coding: { type: "Coding" },
  codeableConcept: { type: "CodeableConcept" },
  abstract: { type: "boolean" },
} as const satisfies ParameterRules;

/** What is to be checked: a code with its system, a coding, or a concept, and never two of them. */
export interface CodeToCheck {
  readonly code?: string;
  readonly system?: string;
  readonly systemVersion?: string;
  readonly display?: string;
  readonly coding?: Coding;
  readonly codeableConcept?: CodeableConcept;
  /** Whether a concept that only groups others counts as valid. */
  readonly abstract?: boolean;
}

/** What is found of one coding: `message` is an error where it is not valid, else a hint. */
interface Verdict {
  readonly valid: boolean;
  readonly message?: string;
  readonly display?: string;
}

/**
 * Whether a coded value is in a value set, as the operation's out parameters `result`, `message` and `display`. A concept
 * is valid when one of its codings is. Refused where the question itself is wrong, or the value set cannot be listed.
 */
export function validateCode(list: CodeList, asked: CodeToCheck, sources: CodeSources): Result<Parameters> {
  const codings = codingsOf(asked);
  if (!codings.ok) return codings;
  const codes = composedCodes(list, sources);
  if (!codes.ok) return codes;
  const name = list.url ?? "the value set";
  const verdicts = codings.value.map((one) =>
    verdictOf(one, { codes: codes.value, name, sources, abstract: asked.abstract }),
  );
  const verdict = verdicts.find((one) => one.valid) ?? joinedVerdict(verdicts, name);
  return accepted({
    resourceType: "Parameters",
    parameter: [
      { name: "result", valueBoolean: verdict.valid },
      ...(verdict.message === undefined ? [] : [{ name: "message", valueString: verdict.message }]),
      ...(verdict.display === undefined ? [] : [{ name: "display", valueString: verdict.display }]),
    ],
  });
}

function codingsOf(asked: CodeToCheck): Result<readonly Coding[]> {
  const { code, system, systemVersion, display, coding, codeableConcept } = asked;
  const ways = [code, coding, codeableConcept].filter((one) => one !== undefined);
  if (ways.length !== 1) {
    return wrongQuestion("Send exactly one of code with system, coding, and codeableConcept.");
  }
  if (coding !== undefined) return accepted([coding]);
  if (codeableConcept !== undefined) return accepted(codeableConcept.coding ?? []);
  if (system === undefined) return wrongQuestion("A code needs its system. Send it as system.");
  return accepted([
    {
      system,
      ...(systemVersion === undefined ? {} : { version: systemVersion }),
      ...(code === undefined ? {} : { code }),
      ...(display === undefined ? {} : { display }),
    },
  ]);
}

function wrongQuestion(detail: string): Result<never> {
  return refused({ kind: "required", detail, status: 400 });
}

interface Yardstick {
  readonly codes: Codes;
  readonly name: string;
  readonly sources: CodeSources;
  readonly abstract: boolean | undefined;
}

function verdictOf(coding: Coding, { codes, name, sources, abstract }: Yardstick): Verdict {
  const { system, code, display: said, version } = coding;
  if (system === undefined || code === undefined) {
    return { valid: false, message: "The coding lacks a system or a code, so it is in no value set." };
  }
  const held = codes.get(system)?.get(code);
  const table = sources.codeTable(system);
  if (held === undefined) {
    const why =
      table?.complete && !table.displays.has(code)
        ? `The code "${code}" is not in ${system}.`
        : `The code "${code}" of ${system} is not in ${name}.`;
    return { valid: false, message: why };
  }
  const display = held === "" ? {} : { display: held };
  if (table !== undefined && isAbstract(table, code) && abstract !== true) {
    return { valid: false, message: `The code "${code}" only groups others and may not be used itself.`, ...display };
  }
  if (said !== undefined && !displaysOf(held, sources, system, code).has(alike(said))) {
    return { valid: false, message: `The display "${said}" is incorrect`, ...display };
  }
  if (version !== undefined && table?.version !== undefined && version !== table.version) {
    return { valid: true, message: `Checked against version ${table.version} of ${system}.`, ...display };
  }
  return { valid: true, ...display };
}

/** Displays that are right: that of the value set, that of the code system, and its designations. Where none is known, any is. */
function displaysOf(
  held: string,
  sources: CodeSources,
  system: string,
  code: string,
): { has(display: string): boolean } {
  const table = sources.codeTable(system);
  const designated = (table?.details.get(code)?.designation ?? []).map((one) => one.value);
  const known = [held, table?.displays.get(code) ?? "", ...designated].filter((one) => one !== "");
  return known.length === 0 ? { has: () => true } : new Set(known.map(alike));
}

/** Capitals and spaces do not tell displays apart: R4 leaves it to the code system, and few say so. */
const alike = (display: string) => display.trim().replaceAll(/\s+/g, " ").toLowerCase();

function joinedVerdict(verdicts: readonly Verdict[], name: string): Verdict {
  const [first] = verdicts;
  if (first === undefined) return { valid: false, message: `The concept has no coding, so it is not in ${name}.` };
  return { ...first, message: verdicts.map((one) => one.message).join(" ") };
}
