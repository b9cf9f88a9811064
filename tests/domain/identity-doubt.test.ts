import { describe, expect, test } from "vitest";
import { identityVerdict, isStrongDoubt, leastDuplicateScore, mayBeOne } from "../../src/domain/identity-doubt.ts";
import { matchPersons, type PersonRecord } from "../../src/domain/patient-match.ts";

const ada: PersonRecord = {
  identifiers: [{ system: "urn:a", value: "1", old: false }],
  names: [{ family: "harker", given: ["ada"] }],
  birthDate: "1971-03-04",
  phones: [],
  emails: [],
  postcodes: [],
  cities: [],
  lines: [],
  active: true,
};

describe("two records", () => {
  test("with equal names and birth date agree", () => {
    expect(identityVerdict(ada, ada)).toEqual({ contradicts: [], agrees: true });
  });

  test("one of which says too little neither agree nor contradict", () => {
    const { birthDate: _, ...undated } = ada;
    expect(identityVerdict(ada, undated)).toEqual({ contradicts: [], agrees: false });
  });

  test("after a marriage raise no strong doubt; another name and another date do", () => {
    const married = { ...ada, names: [{ family: "sorrel", given: ["ada"] }] };
    expect(isStrongDoubt(identityVerdict(ada, married))).toBe(false);
    expect(isStrongDoubt(identityVerdict(ada, { ...married, birthDate: "1988-08-08" }))).toBe(true);
  });

  test("of one person under two numbers of one hospital are for a person to look at; twins are not", () => {
    const twice = { ...ada, identifiers: [{ system: "urn:a", value: "2", old: false }] };
    expect(matchPersons(ada, twice).score).toBeGreaterThan(leastDuplicateScore);
    expect(mayBeOne(matchPersons(ada, twice))).toBe(true);
    const twin = { ...twice, names: [{ family: "harker", given: ["bea"] }] };
    expect(mayBeOne(matchPersons(ada, twin))).toBe(false);
  });
});
