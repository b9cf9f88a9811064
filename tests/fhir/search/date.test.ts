import { expect, test } from "vitest";
import { datesOf, dateTest, rangeOfDate } from "../../../src/fhir/search/date.ts";

const iso = (ms: number | undefined) => (ms === undefined ? undefined : new Date(ms).toISOString());
const range = (text: string) => {
  const found = rangeOfDate(text);
  return [iso(found?.lowMs), iso(found?.highMs)];
};

// https://hl7.org/fhir/R4/search.html#prefix: implicit ranges "based on the behavior of intervals".
test.each([
  ["2000", "2000-01-01T00:00:00.000Z", "2001-01-01T00:00:00.000Z"],
  ["2000-02", "2000-02-01T00:00:00.000Z", "2000-03-01T00:00:00.000Z"],
  ["2000-12", "2000-12-01T00:00:00.000Z", "2001-01-01T00:00:00.000Z"],
  ["2000-04-04", "2000-04-04T00:00:00.000Z", "2000-04-05T00:00:00.000Z"],
  ["2015-08-12T05:23", "2015-08-12T05:23:00.000Z", "2015-08-12T05:24:00.000Z"],
  ["2015-08-12T05:23:45", "2015-08-12T05:23:45.000Z", "2015-08-12T05:23:46.000Z"],
  ["2015-08-12T05:23:45.5Z", "2015-08-12T05:23:45.500Z", "2015-08-12T05:23:45.600Z"],
  ["2015-08-12T05:23:45.069Z", "2015-08-12T05:23:45.069Z", "2015-08-12T05:23:45.070Z"],
  ["2015-08-12T05:23:45.0691234Z", "2015-08-12T05:23:45.069Z", "2015-08-12T05:23:45.070Z"],
  ["2015-08-12T05:23:45+02:00", "2015-08-12T03:23:45.000Z", "2015-08-12T03:23:46.000Z"],
  ["2015-08-12T05:23:45-05:30", "2015-08-12T10:53:45.000Z", "2015-08-12T10:53:46.000Z"],
])("%s covers [%s, %s)", (text, low, high) => {
  expect(range(text)).toEqual([low, high]);
});

test("a year of the first century is not one of the twentieth", () => {
  expect(range("0050")[0]).toBe("0050-01-01T00:00:00.000Z");
});

// https://hl7.org/fhir/R4/datatypes.html#date: the pattern of a date has years 0001 to 9999.
test("what reaches beyond the years that R4 can write has no end, or no beginning", () => {
  expect(rangeOfDate("9999-12-31")).toEqual({ lowMs: Date.UTC(9999, 11, 31), highMs: Number.POSITIVE_INFINITY });
  expect(rangeOfDate("9999-12-30")?.highMs).toBe(Date.UTC(9999, 11, 31));
  expect(rangeOfDate("0001-01-01T00:00:00+14:00")?.lowMs).toBe(Number.NEGATIVE_INFINITY);
  expect(range("0001-01-01")).toEqual(["0001-01-01T00:00:00.000Z", "0001-01-02T00:00:00.000Z"]);
  expect(dateTest("ap0001", Date.UTC(2026, 0))).toMatchObject({ value: { low: Number.NEGATIVE_INFINITY } });
  expect(dateTest("ap9999", Date.UTC(2026, 0))).toMatchObject({ value: { high: Number.POSITIVE_INFINITY } });
});

test.each([
  "0000",
  "0000-01-01",
  "2026-02-30",
  "2026-13",
  "2026-00-10",
  "2026-01-01T24:00:00Z",
  "26-01-01",
  "today",
  "",
])("%o is no date", (text) => {
  expect(rangeOfDate(text)).toBeUndefined();
});

test("a period that has no end yet goes on for ever, one without a start was always so", () => {
  const [open] = datesOf({ start: "2026-03-01" }, "1");
  expect([iso(open?.lowMs), open?.highMs]).toEqual(["2026-03-01T00:00:00.000Z", Number.POSITIVE_INFINITY]);
  const [ended] = datesOf({ end: "2026-03-01" }, "1");
  expect([ended?.lowMs, iso(ended?.highMs)]).toEqual([Number.NEGATIVE_INFINITY, "2026-03-02T00:00:00.000Z"]);
});

test("a period runs to the last instant of its last day", () => {
  const [entry] = datesOf({ start: "2026-03", end: "2026-03-05" }, "1");
  expect([iso(entry?.lowMs), iso(entry?.highMs)]).toEqual(["2026-03-01T00:00:00.000Z", "2026-03-06T00:00:00.000Z"]);
});

// https://hl7.org/fhir/R4/search.html#date: a Timing is searched by its events and its outer limits.
test("a timing gives each of its events and the bounds of its repetition", () => {
  const timing = { event: ["2026-03-01", "2026-03-08"], repeat: { boundsPeriod: { start: "2026-02-01" } } };
  expect(datesOf(timing, "1").map((entry) => iso(entry.lowMs))).toEqual([
    "2026-03-01T00:00:00.000Z",
    "2026-03-08T00:00:00.000Z",
    "2026-02-01T00:00:00.000Z",
  ]);
});

test("an age, a range or a word that may stand for a time gives no date", () => {
  expect(datesOf({ value: 3, unit: "a" }, "1")).toEqual([]);
  expect(datesOf({ low: { value: 3 } }, "1")).toEqual([]);
  expect(datesOf("as a child", "1")).toEqual([]);
  expect(datesOf(undefined, "1")).toEqual([]);
});

test("a prefix is read off the date, and none means equal", () => {
  expect(dateTest("ge2026-03", 0)).toMatchObject({ ok: true, value: { prefix: "ge", low: Date.UTC(2026, 2) } });
  expect(dateTest("2026-03", 0)).toMatchObject({ ok: true, value: { prefix: "eq" } });
});

test("a plus that the URL turned into a blank is still a zone", () => {
  expect(dateTest("2026-03-01T10:00:00 01:00", 0)).toEqual(dateTest("2026-03-01T10:00:00+01:00", 0));
});

// https://hl7.org/fhir/R4/search.html#prefix on ap: "10% of the gap between now and the date".
test("approximately widens by a tenth of the time between the date and now", () => {
  const test = dateTest("ap2026-03-11", Date.UTC(2026, 2, 21));
  if (!test.ok) throw new Error("not read");
  expect(iso(test.value.low)).toBe("2026-03-10T00:00:00.000Z");
  expect(iso(test.value.high)).toBe("2026-03-13T00:00:00.000Z");
});

test("what is no date is refused, and the refusal says how to write one", () => {
  const answer = dateTest("xx2026", 0);
  expect(answer.ok).toBe(false);
  if (!answer.ok) expect(answer.refusals[0]?.detail).toContain("YYYY-MM-DD");
});
