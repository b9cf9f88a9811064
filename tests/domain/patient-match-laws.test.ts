import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { gradeOf, matchPersons, type PersonRecord } from "../../src/domain/patient-match.ts";

const number = (value: string, system: string) => ({ system, value, old: false });

const families = ["harrow", "harow", "quill", "smith-jones", "smith", ""];
const givens = ["ada", "adi", "a", "zoe", "catherine", "cathrine"];
const some = <T>(values: readonly T[]) => fc.array(fc.constantFrom(...values), { maxLength: 2 });
const anyRecord: fc.Arbitrary<PersonRecord> = fc
  .record({
    identifiers: fc.array(
      fc.record({
        system: fc.constantFrom("urn:a", "urn:b", ""),
        value: fc.constantFrom("1", "2"),
        old: fc.boolean(),
      }),
      { maxLength: 3 },
    ),
    names: fc.array(fc.record({ family: fc.constantFrom(...families), given: some(givens) }), { maxLength: 2 }),
    birthDate: fc.constantFrom(undefined, "1984-03-07", "1984-07-03", "1984-03", "1951-11-30"),
    gender: fc.constantFrom(undefined, "male", "female", "unknown"),
    phones: some(["447700900123", "07700900123", "1234567"]),
    emails: some(["a@b.example", "c@d.example"]),
    postcodes: some(["zz1", "zz2"]),
    cities: some(["northwick", "northwich", "aldersea"]),
    lines: some(["1 mill lane", "2 mill lane"]),
    deceased: fc.constantFrom(undefined, true, false),
    active: fc.boolean(),
  })
  .map(({ birthDate, gender, deceased, ...rest }) => ({
    ...rest,
    ...(birthDate === undefined ? {} : { birthDate }),
    ...(gender === undefined ? {} : { gender }),
    ...(deceased === undefined ? {} : { deceased }),
  }));

type Filling = (record: PersonRecord, value: string) => PersonRecord;

/** Each field as it is taken out of a record, and filled with a value of its own. */
const fields: Readonly<Record<string, { without: (r: PersonRecord) => PersonRecord; filled: Filling }>> = {
  identifier: {
    without: (r) => r,
    filled: (r, value) => ({ ...r, identifiers: [...r.identifiers, number(value, "urn:new")] }),
  },
  family: {
    without: (r) => ({ ...r, names: r.names.slice(0, 1).map(({ given }) => ({ family: "", given })) }),
    filled: (r, value) => ({ ...r, names: [{ given: r.names[0]?.given ?? [], family: value }] }),
  },
  given: {
    without: (r) => ({ ...r, names: r.names.slice(0, 1).map(({ family }) => ({ family, given: [] })) }),
    filled: (r, value) => ({ ...r, names: [{ family: r.names[0]?.family ?? "", given: [value] }] }),
  },
  birthDate: {
    without: ({ birthDate: _, ...rest }) => rest,
    filled: (r, value) => ({ ...r, birthDate: value === "one" ? "1984-03-07" : "1970-12-25" }),
  },
  gender: {
    without: ({ gender: _, ...rest }) => rest,
    filled: (r, value) => ({ ...r, gender: value === "one" ? "male" : "female" }),
  },
  phones: {
    without: (r) => ({ ...r, phones: [] }),
    filled: (r, value) => ({ ...r, phones: [value === "one" ? "7700900123" : "7700900999"] }),
  },
  emails: { without: (r) => ({ ...r, emails: [] }), filled: (r, value) => ({ ...r, emails: [value] }) },
  postcodes: { without: (r) => ({ ...r, postcodes: [] }), filled: (r, value) => ({ ...r, postcodes: [value] }) },
  cities: { without: (r) => ({ ...r, cities: [] }), filled: (r, value) => ({ ...r, cities: [value] }) },
  lines: { without: (r) => ({ ...r, lines: [] }), filled: (r, value) => ({ ...r, lines: [value] }) },
  deceased: {
    without: ({ deceased: _, ...rest }) => rest,
    filled: (r, value) => ({ ...r, deceased: value === "one" }),
  },
};

describe("whatever two records say", () => {
  test("which of them is asked for makes no difference", () => {
    fc.assert(
      fc.property(anyRecord, anyRecord, (one, other) => {
        const [there, back] = [matchPersons(one, other), matchPersons(other, one)];
        expect(back).toEqual(there);
        expect(there.score).toBeGreaterThanOrEqual(0);
        expect(there.score).toBeLessThanOrEqual(1);
        expect(there.grade).toBe(gradeOf(there.score));
      }),
      { numRuns: 2000 },
    );
  });

  test.each(Object.keys(fields))(
    "an agreement in %s never lowers the score, a contradiction never raises it",
    (name) => {
      const field = fields[name];
      if (field === undefined) throw new Error("no such field");
      fc.assert(
        fc.property(anyRecord, anyRecord, (a, b) => {
          const [one, other] = [field.without(a), field.without(b)];
          const before = matchPersons(one, other).score;
          const agreed = matchPersons(field.filled(one, "one"), field.filled(other, "one")).score;
          const contradicted = matchPersons(field.filled(one, "one"), field.filled(other, "xyz")).score;
          expect(agreed).toBeGreaterThanOrEqual(before);
          expect(contradicted).toBeLessThanOrEqual(before);
          expect(agreed).toBeGreaterThanOrEqual(contradicted);
        }),
        { numRuns: 500 },
      );
    },
  );

  test("a record is certain of itself only with a current identifier of a system, and a name or birth date", () => {
    fc.assert(
      fc.property(anyRecord, (record) => {
        const numbered = record.identifiers.some(({ system, old }) => system !== "" && !old);
        if (matchPersons(record, record).grade === "certain") expect(numbered).toBe(true);
        else expect(numbered && record.active && record.birthDate?.length === 10).toBe(false);
      }),
      { numRuns: 2000 },
    );
  });

  test("nothing is certain while birth date or a name contradicts", () => {
    fc.assert(
      fc.property(anyRecord, anyRecord, (one, other) => {
        const { grade, reasons } = matchPersons(one, other);
        const contradicted = reasons.some(
          ({ field, verdict }) => ["family", "given", "birthDate"].includes(field) && verdict === "disagrees",
        );
        if (contradicted) expect(grade).not.toBe("certain");
      }),
      { numRuns: 2000 },
    );
  });
});
