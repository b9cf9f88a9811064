import { describe, expect, test } from "vitest";
import { shippedCodes } from "../../src/fhir/terminology/codes.ts";
import { codeFile, differences, type EvidencedCode, faultsOfEvidence, rawCodes, unevidencedCodings } from "./codes.ts";
import { repositoryFile, sourceFiles } from "./source-tree.ts";

const evidence: EvidencedCode[] = JSON.parse(repositoryFile("docs/evidence/codes.json"));
const shippedFiles = [...sourceFiles("src", /\.(ts|json)$/), ...sourceFiles("seed", /\.(ts|json)$/)];

describe("every code we ship has its evidence in docs/evidence/codes.json", () => {
  test("the code file and the evidence hold the same codes with the same displays", () => {
    expect(shippedCodes.length).toBeGreaterThan(0);
    expect(differences(shippedCodes, evidence)).toEqual([]);
  });

  test("each line of the evidence names its source and fits its system", () => {
    expect(faultsOfEvidence(evidence)).toEqual([]);
  });

  test("no other source file spells a code of LOINC, SNOMED CT or MDC", () => {
    expect(shippedFiles.some(({ path }) => path === codeFile)).toBe(true);
    expect(rawCodes(shippedFiles)).toEqual([]);
  });

  test("every coding in a JSON file that we ship has its evidence", () => {
    expect(unevidencedCodings(shippedFiles, evidence)).toEqual([]);
  });
});
