import { expect, test } from "vitest";
import { parseHistory } from "../../src/fhir/history-query.ts";

// Parameters of a history: https://hl7.org/fhir/R4/http.html#history, table of its parameters.
const options = { handling: "lenient", defaultCount: 20, maxCount: 500 } as const;

function parsed(params: [string, string][], handling: "strict" | "lenient" = "lenient") {
  const answer = parseHistory(params, { ...options, handling });
  if (!answer.ok) throw new Error(JSON.stringify(answer.refusals));
  return answer.value;
}

function refusalOf(name: string, value: string) {
  const answer = parseHistory([[name, value]], options);
  return answer.ok ? undefined : answer.refusals[0];
}

test("without parameters a page has the default number of versions", () => {
  expect(parsed([])).toEqual({ count: 20, used: [] });
});

// "The server is not bound to return the number requested, but cannot return more" (same table, _count).
test("_count is taken as it is up to the most that a page may hold", () => {
  expect(parsed([["_count", "7"]]).count).toBe(7);
  expect(parsed([["_count", "100000"]]).count).toBe(500);
});

test("_since is an instant in any zone", () => {
  expect(parsed([["_since", "2026-03-10T12:00:00.250+01:00"]]).sinceMs).toBe(Date.UTC(2026, 2, 10, 11, 0, 0, 250));
});

test("the plus sign of a zone is understood where it arrived as a space", () => {
  expect(parsed([["_since", "2026-03-10T12:00:00 01:00"]]).sinceMs).toBe(Date.UTC(2026, 2, 10, 11));
});

// https://hl7.org/fhir/R4/search.html#date: a date of partial precision is a range.
test("_at of a month is the whole of that month in UTC", () => {
  expect(parsed([["_at", "2026-02"]]).at).toEqual({ lowMs: Date.UTC(2026, 1), highMs: Date.UTC(2026, 2) });
});

// https://hl7.org/fhir/R4/search.html#summary: count gives just a count of the matching resources.
test("_summary of count asks for no entries", () => {
  expect(parsed([["_summary", "count"]])).toMatchObject({ count: 0, summary: "count" });
  const rest = [
    ["_count", "5"],
    ["_summary", "text"],
  ] as [string, string][];
  expect(parsed(rest)).toMatchObject({ count: 5, summary: "text" });
});

test("_elements names the elements to show", () => {
  expect(parsed([["_elements", "name,birthDate"]]).elements).toEqual(["name", "birthDate"]);
});

test.each([
  ["_count", "-1"],
  ["_count", ""],
  ["_since", "yesterday"],
  ["_since", "2026-02-30"],
  ["_at", "ge2026"],
  ["_summary", "some"],
  ["_elements", "name,"],
])("%s=%s is refused with 400 and named", (name, value) => {
  expect(refusalOf(name, value)).toMatchObject({ kind: "value", at: name, status: 400 });
});

test("a parameter given twice is refused", () => {
  const twice = parseHistory(
    [
      ["_count", "1"],
      ["_count", "2"],
    ],
    options,
  );
  expect(twice).toMatchObject({ ok: false, refusals: [{ at: "_count", status: 400 }] });
});

// https://hl7.org/fhir/R4/search.html#errors: lenient ignores unknown parameters and leaves them out of `self`, strict refuses them.
test("a parameter that a history does not have is ignored, or refused when strict handling is preferred", () => {
  const params: [string, string][] = [
    ["_list", "42"],
    ["toString", "1"],
    ["_count", "2"],
  ];
  expect(parsed(params).used).toEqual([["_count", "2"]]);
  expect(parseHistory(params, { ...options, handling: "strict" })).toMatchObject({
    ok: false,
    refusals: [
      { kind: "not-supported", at: "_list", status: 400 },
      { kind: "not-supported", at: "toString", status: 400 },
    ],
  });
});

test("what the door reads itself is neither used nor unknown", () => {
  const params: [string, string][] = [
    ["_format", "json"],
    ["_pretty", "true"],
    ["_cursor", "x"],
  ];
  expect(parsed(params, "strict")).toEqual({ count: 20, used: [] });
});
