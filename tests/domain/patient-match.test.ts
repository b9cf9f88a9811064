import { readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { leastScores, likelihoods, matchPersons, type PersonRecord } from "../../src/domain/patient-match.ts";

// Weights and limits are our choice (docs/decisions/0005-patient-match.md); the grades are R4's
// (https://hl7.org/fhir/R4/valueset-match-grade.html).

const nothing: PersonRecord = {
  identifiers: [],
  names: [],
  phones: [],
  emails: [],
  postcodes: [],
  cities: [],
  lines: [],
  active: true,
};

const number = (value: string, system = "urn:ward-number") => ({ system, value, old: false });

const ada: PersonRecord = {
  identifiers: [number("4711")],
  names: [{ family: "harrow", given: ["ada"] }],
  birthDate: "1984-03-07",
  gender: "female",
  phones: ["447700900123"],
  emails: ["ada@harrow.example"],
  postcodes: ["zz12zz"],
  cities: ["northwick"],
  lines: ["12 mill lane"],
  deceased: false,
  active: true,
};

const unnumbered: PersonRecord = { ...ada, identifiers: [] };

const gradeFor = (one: PersonRecord, other: PersonRecord) => matchPersons(one, other).grade;

describe("what is certain", () => {
  test("an equal identifier with equal name and birth date is certain", () => {
    expect(gradeFor(ada, ada)).toBe("certain");
  });

  test("equal in everything but without an identifier is probable, not certain", () => {
    expect(gradeFor(unnumbered, ada)).toBe("probable");
  });

  test("an identifier with nothing beside it is not certain: one digit mistyped would be somebody else", () => {
    expect(gradeFor({ ...nothing, identifiers: ada.identifiers }, ada)).toBe("probable");
    expect(gradeFor({ ...nothing, identifiers: ada.identifiers, birthDate: "1984-03-07" }, ada)).toBe("certain");
  });

  test.each([
    ["birth date", { birthDate: "1951-11-30" }],
    ["a birth date with day and month exchanged", { birthDate: "1984-07-03" }],
    ["given name", { names: [{ family: "harrow", given: ["zoe"] }] }],
    ["family name", { names: [{ family: "quill", given: ["ada"] }] }],
    ["a second identifier", { identifiers: [number("4711"), number("1", "urn:insurance")] }],
  ])("an equal identifier against another %s is not certain", (_, change) => {
    const stored = { ...ada, identifiers: [number("4711"), number("2", "urn:insurance")] };
    expect(gradeFor({ ...ada, ...change }, stored)).not.toBe("certain");
  });

  test("an equal identifier whose name and birth date are someone else's is shown as possible, for a person to look at", () => {
    const stranger = { ...ada, names: [{ family: "quill", given: ["bo"] }], birthDate: "1951-11-30", gender: "male" };
    expect(gradeFor(ada, stranger)).toBe("possible");
  });

  test("an equal value without a system, under a system not trusted, or no longer in use is not certain", () => {
    expect(gradeFor({ ...ada, identifiers: [number("4711", "")] }, ada)).toBe("probable");
    expect(matchPersons(ada, ada, (system) => system === "urn:insurance").grade).toBe("probable");
    expect(gradeFor({ ...ada, identifiers: [{ ...number("4711"), old: true }] }, ada)).toBe("probable");
  });

  test("a record out of use is not certain", () => {
    expect(gradeFor(ada, { ...ada, active: false })).toBe("probable");
  });

  test("a number that the stored record had before is no contradiction to the one it has now", () => {
    const renumbered = { ...ada, identifiers: [{ ...number("4711"), old: true }, number("9000")] };
    expect(matchPersons(ada, renumbered).reasons[0]?.verdict).toBe("near");
    expect(gradeFor(ada, renumbered)).toBe("probable");
  });
});

describe("people who share much", () => {
  test("twins are neither certain nor probable, whatever they share", () => {
    const twin = { ...unnumbered, names: [{ family: "harrow", given: ["zoe"] }] };
    const likeNamedTwin = { ...unnumbered, names: [{ family: "harrow", given: ["adi"] }] };
    const doubleNames = (given: string) => ({ ...unnumbered, names: [{ family: "harrow", given: [given] }] });
    expect(gradeFor(unnumbered, twin)).toBe("possible");
    expect(gradeFor(unnumbered, likeNamedTwin)).toBe("possible");
    expect(gradeFor(doubleNames("jayden"), doubleNames("jaydon"))).toBe("possible");
    expect(gradeFor(doubleNames("jean-paul"), doubleNames("jean-luc"))).toBe("possible");
  });

  test("an initial or no given name cannot tell twins apart", () => {
    expect(gradeFor({ ...unnumbered, names: [{ family: "harrow", given: ["a"] }] }, unnumbered)).toBe("possible");
    expect(gradeFor({ ...unnumbered, names: [{ family: "harrow", given: [] }] }, unnumbered)).toBe("possible");
  });

  test("twins with their own numbers are not taken for one another", () => {
    const twin = { ...ada, identifiers: [number("4712")], names: [{ family: "harrow", given: ["zoe"] }] };
    expect(gradeFor(ada, twin)).toBe("possible");
    expect(matchPersons(ada, twin).score).toBeLessThan(0.5);
  });

  test("a mother and a daughter of one name in one house are not probable", () => {
    expect(gradeFor(unnumbered, { ...unnumbered, birthDate: "2011-10-30" })).toBe("possible");
    const { birthDate: _, ...undated } = unnumbered;
    expect(gradeFor(unnumbered, undated)).toBe("possible");
  });

  test("two strangers are certainly not the same", () => {
    const stranger: PersonRecord = {
      ...nothing,
      names: [{ family: "quill", given: ["bo"] }],
      birthDate: "1951-11-30",
      gender: "male",
    };
    expect(gradeFor(unnumbered, stranger)).toBe("certainly-not");
  });
});

describe("one person, written otherwise", () => {
  test.each([
    ["day and month exchanged", { birthDate: "1984-07-03" }],
    ["digits of the birth date exchanged", { birthDate: "1984-03-70" }],
    ["family and given name exchanged", { names: [{ family: "ada", given: ["harrow"] }] }],
    ["a slip in the family name", { names: [{ family: "harorw", given: ["ada"] }] }],
    ["half of a double name", { names: [{ family: "harrow-quill", given: ["ada"] }] }],
    ["a phone with its national prefix", { phones: ["07700900123"] }],
  ])("%s is still probable", (_, change) => {
    expect(gradeFor({ ...unnumbered, ...change }, unnumbered)).toBe("probable");
  });

  test("a slip in a long given name is still probable", () => {
    const named = (given: string) => ({ ...unnumbered, names: [{ family: "harrow", given: [given] }] });
    expect(gradeFor(named("margraet"), named("margaret"))).toBe("probable");
  });

  test("someone who married and moved is possible", () => {
    const before = { ...nothing, names: ada.names, birthDate: "1984-03-07", postcodes: ["zz12zz"], lines: ["1 a"] };
    const after = { ...before, names: [{ family: "quill", given: ["ada"] }], postcodes: ["yy99yy"], lines: ["2 b"] };
    expect(gradeFor(before, after)).toBe("possible");
  });

  test("each field says how it came out and what it was worth", () => {
    const reasons = matchPersons(ada, { ...unnumbered, gender: "male" }).reasons;
    expect(reasons.map(({ field }) => field).sort()).toEqual(Object.keys(likelihoods).sort());
    expect(reasons.find(({ field }) => field === "identifier")).toEqual({
      field: "identifier",
      verdict: "missing",
      bits: 0,
    });
    // Fellegi and Sunter 1969: log of the ratio of the two probabilities.
    expect(reasons.find(({ field }) => field === "gender")?.bits).toBeCloseTo(Math.log2(0.02 / 0.5), 9);
    expect(reasons.find(({ field }) => field === "family")?.bits).toBeCloseTo(Math.log2(0.95 / 0.01), 9);
  });
});

describe("the decision record", () => {
  test("states the weights and least scores that are used", () => {
    const text = readFileSync(new URL("../../docs/decisions/0005-patient-match.md", import.meta.url), "utf8");
    const bits = (value: number) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(1)}`;
    for (const [field, { same, different }] of Object.entries(likelihoods)) {
      const [agreement, disagreement] = [Math.log2(same / different), Math.log2((1 - same) / (1 - different))];
      const chance = different === 0.000001 ? "0.000001" : String(different);
      expect(text).toContain(`| ${field} | ${same} | ${chance} | ${bits(agreement)} | ${bits(disagreement)} |`);
    }
    expect(text).toContain(
      `certain from ${leastScores.certain}, probable from ${leastScores.probable}, possible from ${leastScores.possible}`,
    );
  });
});
