import { describe, expect, test } from "vitest";
import {
  birthDateSlips,
  compareBirthDates,
  compareCities,
  compareFamily,
  compareFlags,
  compareGender,
  compareGiven,
  compareLines,
  compareLists,
  compareNames,
  comparePhones,
} from "../../src/domain/match-fields.ts";

// What counts as near is our choice: common practice, no published source (docs/decisions/0005-patient-match.md).

describe("family names", () => {
  test.each([
    ["o'neill", "oneill", "agrees"],
    ["smith-jones", "jones smith", "agrees"],
    ["van der berg", "van-der-berg", "agrees"],
    ["smith-jones", "smith", "near"],
    ["mueller", "muller", "near"],
    ["marhta", "martha", "near"],
    ["van dijk", "van", "disagrees"],
    ["duane", "dwayne", "disagrees"],
    ["", "smith", "missing"],
  ])("%s and %s: %s", (one, other, verdict) => {
    expect(compareFamily(one, other).verdict).toBe(verdict);
    expect(compareFamily(other, one)).toEqual(compareFamily(one, other));
  });
});

describe("given names", () => {
  test.each([
    [["jean-paul"], ["jean", "paul"], "agrees"],
    [["ada", "maria"], ["ada"], "agrees"],
    [["ada", "maria"], ["ada", "m."], "agrees"],
    [["ada", "maria"], ["ada", "sophie"], "near"],
    [["jean-paul"], ["jean-luc"], "near"],
    [["ada", "maria"], ["maria"], "near"],
    [["a."], ["ada"], "near"],
    [["catherine"], ["cathrine"], "near"],
    [["b"], ["ada"], "disagrees"],
    [["ada", "maria"], ["eva", "maria"], "disagrees"],
    [["liz"], ["elizabeth"], "disagrees"],
    [[], ["ada"], "missing"],
  ])("%j and %j: %s", (one, other, verdict) => {
    expect(compareGiven(one, other).verdict).toBe(verdict);
    expect(compareGiven(other, one)).toEqual(compareGiven(one, other));
  });
});

describe("whole names", () => {
  test("a maiden name among the names agrees with the record under it", () => {
    const now = [
      { family: "quill", given: ["ada"] },
      { family: "harrow", given: [] },
    ];
    const then = [{ family: "harrow", given: ["ada"] }];
    expect(compareNames(now, then).family.verdict).toBe("agrees");
    expect(compareNames(now, then).given.verdict).toBe("agrees");
  });

  test("family and given name in each other's place are near, both", () => {
    const names = compareNames([{ family: "ada", given: ["harrow"] }], [{ family: "harrow", given: ["ada"] }]);
    expect(names.family.verdict).toBe("near");
    expect(names.given.verdict).toBe("near");
  });

  test("a record without a name says nothing of names", () => {
    const names = compareNames([], [{ family: "harrow", given: ["ada"] }]);
    expect(names).toEqual({ family: { verdict: "missing", share: 0 }, given: { verdict: "missing", share: 0 } });
  });
});

describe("birth dates", () => {
  test.each([
    ["1984-03-07", "1984-03-07", "agrees"],
    ["1984-03-07", "1984-07-03", "near"],
    ["1984-03-07", "1948-03-07", "near"],
    ["1984-03-12", "1984-03-21", "near"],
    ["1984-03", "1984-03-07", "near"],
    ["1984", "1984-03-07", "near"],
    ["1984", "1984", "near"],
    ["1985", "1984-03-07", "disagrees"],
    ["1984-03-07", "1984-03-08", "disagrees"],
    [undefined, "1984-03-07", "missing"],
  ])("%s and %s: %s", (one, other, verdict) => {
    expect(compareBirthDates(one, other).verdict).toBe(verdict);
    expect(compareBirthDates(other, one)).toEqual(compareBirthDates(one, other));
  });

  test("a date known to the month says more than one known to the year", () => {
    expect(compareBirthDates("1984-03", "1984-03-07").share).toBeGreaterThan(
      compareBirthDates("1984", "1984-03-07").share,
    );
  });

  test("the slips of a date are day and month exchanged and neighbouring digits exchanged, never the date itself", () => {
    const slips = birthDateSlips("1984-03-07");
    expect(slips).toContain("1984-07-03");
    expect(slips).toContain("1948-03-07");
    expect(slips).toContain("1984-30-07");
    expect(slips).not.toContain("1984-03-07");
  });
});

describe("other fields", () => {
  test.each([
    // ITU-T E.164: country codes of one to three digits; 44 with 0 before the national number, as Ofcom writes it.
    ["447700900123", "07700900123", "agrees"],
    ["00447700900123", "447700900123", "agrees"],
    ["15550100123", "5550100123", "agrees"],
    ["7700900123", "7700900124", "disagrees"],
    ["123", "44123", "disagrees"],
    ["000", "000", "disagrees"],
  ])("the phones %s and %s: %s", (one, other, verdict) => {
    expect(comparePhones([one], [other]).verdict).toBe(verdict);
    expect(comparePhones([other], [one]).verdict).toBe(verdict);
  });

  test("one equal value of many agrees", () => {
    expect(compareLists(["a", "b"], ["c", "b"]).verdict).toBe("agrees");
    expect(compareLists(["a"], ["c"]).verdict).toBe("disagrees");
    expect(compareLists([], ["c"]).verdict).toBe("missing");
  });

  test("the house next door is another address, a shortened street is near", () => {
    expect(compareLines(["12 mill lane"], ["14 mill lane"]).verdict).toBe("disagrees");
    expect(compareLines(["12 mill street"], ["12 mill st"]).verdict).toBe("near");
    expect(compareLines(["12 mill lane"], ["12 mill lane"]).verdict).toBe("agrees");
    expect(compareCities(["northwick"], ["northwich"]).verdict).toBe("near");
    expect(compareCities(["northwick"], ["aldersea"]).verdict).toBe("disagrees");
  });

  test("unknown is no gender to agree or disagree with", () => {
    expect(compareGender("unknown", "female").verdict).toBe("missing");
    expect(compareGender("male", "female").verdict).toBe("disagrees");
    expect(compareGender("other", "other").verdict).toBe("agrees");
  });

  test("a flag counts where both state it", () => {
    expect(compareFlags(undefined, true).verdict).toBe("missing");
    expect(compareFlags(false, true).verdict).toBe("disagrees");
    expect(compareFlags(true, true).verdict).toBe("agrees");
  });
});
