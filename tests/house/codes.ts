import { hasLoincCheckDigit, isSnomedConceptId } from "./check-digits.ts";
import type { SourceFile } from "./source-tree.ts";

export interface ShippedCode {
  readonly system: string;
  readonly code: string;
  readonly display: string;
}

export interface EvidencedCode extends ShippedCode {
  /** Where the code and its meaning were read. */
  readonly source: string;
  /** `READ`: in the primary source. `READ-2`: in a secondary copy. `own`: a term of our own CodeSystem. */
  readonly tag: string;
}

export const loinc = "http://loinc.org";
export const snomed = "http://snomed.info/sct";
export const mdc = "urn:iso:std:iso:11073:10101";
export const ucum = "http://unitsofmeasure.org";

/** The one file that may spell a code of an outside system. */
export const codeFile = "src/fhir/terminology/codes.ts";

const ownSystem = /^https:\/\/tidegate\.example\/fhir\//;

/** What is wrong with each line of the evidence, in words; empty where each can be trusted. */
export function faultsOfEvidence(evidence: readonly EvidencedCode[]): string[] {
  const seen = new Set<string>();
  return evidence.flatMap((line) => {
    const named = `${line.system}|${line.code}`;
    const faults: string[] = [];
    if (seen.has(named)) faults.push("stands twice");
    seen.add(named);
    if (!line.display?.trim()) faults.push("has no display");
    if (!line.source?.trim()) faults.push("has no source");
    const tags = ownSystem.test(line.system) ? ["own"] : ["READ", "READ-2"];
    if (!tags.includes(line.tag)) faults.push(`is tagged ${line.tag}, not ${tags.join(" or ")}`);
    if (line.system === loinc && !hasLoincCheckDigit(line.code)) faults.push("fails LOINC's check digit");
    if (line.system === snomed && !isSnomedConceptId(line.code)) faults.push("fails SNOMED CT's check digit");
    if (line.system === mdc && !isMdcCode(line.code)) faults.push("is no 32-bit code of a published partition");
    return faults.map((fault) => `${named} ${fault}`);
  });
}

/** ISO/IEEE 11073-10101: partition × 65536 + term; 1 objects, 2 metrics, 3 events, 4 units, 8 device profiles, 258 settings. */
function isMdcCode(code: string): boolean {
  return /^\d+$/.test(code) && [1, 2, 3, 4, 8, 258].includes(Math.floor(Number(code) / 65_536));
}

/** Codes that we ship without evidence, evidence of codes that we do not ship, and displays that differ. */
export function differences(shipped: readonly ShippedCode[], evidence: readonly EvidencedCode[]): string[] {
  const evidenced = new Map(evidence.map((line) => [`${line.system}|${line.code}`, line.display]));
  const ours = new Map(shipped.map((line) => [`${line.system}|${line.code}`, line.display]));
  return [
    ...[...ours.keys()].filter((named) => !evidenced.has(named)).map((named) => `${named} is shipped without evidence`),
    ...[...evidenced.keys()]
      .filter((named) => !ours.has(named))
      .map((named) => `${named} has evidence and is not shipped`),
    ...[...ours]
      .filter(([named, display]) => evidenced.has(named) && evidenced.get(named) !== display)
      .map(([named, display]) => `${named} is shipped as "${display}", its evidence says "${evidenced.get(named)}"`),
  ];
}

const stringLiteral = /"((?:[^"\\\n]|\\.)*)"|'((?:[^'\\\n]|\\.)*)'|`([^`]*)`/g;
const lineOfComment = /^\s*(\/\/|\/?\*).*$/gm;

/** Places in TypeScript, outside the code file, that spell an outside system or something shaped as one of its codes. */
export function rawCodes(files: readonly SourceFile[]): string[] {
  return files
    .filter(({ path }) => path.endsWith(".ts") && path !== codeFile)
    .flatMap(({ path, text }) =>
      [...text.replace(lineOfComment, "").matchAll(stringLiteral)]
        .map(([, double, single, template]) => double ?? single ?? template ?? "")
        .filter(isOutsideCode)
        .map((literal) => `${path}: "${literal}"`),
    );
}

function isOutsideCode(literal: string): boolean {
  const namesSystem = [loinc, snomed, mdc].some((system) => literal.includes(system));
  // LOINC has no number under three digits; "0-0" would pass its check digit.
  return namesSystem || (literal.length >= 5 && hasLoincCheckDigit(literal)) || isSnomedConceptId(literal);
}

/** Codings of outside or own systems in JSON files (examples, the demo scenario) that have no evidence. */
export function unevidencedCodings(files: readonly SourceFile[], evidence: readonly EvidencedCode[]): string[] {
  const known = new Set(evidence.map((line) => `${line.system}|${line.code}`));
  return files
    .filter(({ path }) => path.endsWith(".json"))
    .flatMap(({ path, text }) =>
      codingsIn(JSON.parse(text))
        .filter(({ system }) => [loinc, snomed, mdc, ucum].includes(system) || ownSystem.test(system))
        .map(({ system, code }) => `${system}|${code}`)
        .filter((named) => !known.has(named))
        .map((named) => `${path}: ${named}`),
    );
}

function codingsIn(json: unknown): { system: string; code: string }[] {
  if (typeof json !== "object" || json === null) return [];
  const { system, code } = json as { system?: unknown; code?: unknown };
  const here = typeof system === "string" && typeof code === "string" ? [{ system, code }] : [];
  return [...here, ...Object.values(json).flatMap(codingsIn)];
}
