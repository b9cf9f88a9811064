import { expect, test } from "vitest";
import { offsetOf, readTime } from "../../../src/intake/hl7v2/time.ts";

const london = { zone: "Europe/London" };

// HL7 v2.5.1, 2.A.22: YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ].
test.each([
  ["1971", "1971", "1971"],
  ["197103", "1971-03", "1971-03"],
  ["19710304", "1971-03-04", "1971-03-04"],
  ["19710304+0100", "1971-03-04", "1971-03-04"],
  ["202606101530", "2026-06-10T14:30:00.000Z", "2026-06-10"],
  ["202601101530", "2026-01-10T15:30:00.000Z", "2026-01-10"],
  ["20260610153045.1234-0500", "2026-06-10T15:30:45.123-05:00", "2026-06-10"],
  ["2026061015", "2026-06-10T14:00:00.000Z", "2026-06-10"],
])("%s is %s", (text, told, date) => {
  expect(readTime(text, london)).toMatchObject({ text: told, date });
});

test("a time without an offset has that of the message, where it has one", () => {
  expect(readTime("202606101530", { ...london, offset: "+0000" })).toMatchObject({ text: "2026-06-10T15:30:00+00:00" });
  expect(offsetOf("20260610+0530")).toBe("+0530");
  expect(offsetOf("20260610")).toBeUndefined();
});

test.each(["", "1971-03-04", "19711304", "19710230", "0000", "202606102530", "20260610156", "2026061015+01", "today"])(
  "%s is no time",
  (text) => {
    expect(readTime(text, london)).toBeUndefined();
  },
);
