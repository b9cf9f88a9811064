import { describe, expect, test } from "vitest";
import { isEventId, parseAuditQuery } from "../../src/fhir/audit-query.ts";

const bounds = { defaultCount: 20, maxCount: 500 };
const read = (query: string) => parseAuditQuery([...new URLSearchParams(query)], bounds);
const value = (query: string) => {
  const parsed = read(query);
  if (!parsed.ok) throw new Error(parsed.refusals[0]?.detail);
  const { used: _, ...asked } = parsed.value;
  return asked;
};
const day = Date.parse("2026-06-10T00:00:00Z");
const dayMs = 86_400_000;

// https://hl7.org/fhir/R4/auditevent.html#search, https://hl7.org/fhir/R4/search.html#date
describe("a search for AuditEvents", () => {
  test.each<[string, object]>([
    ["", { count: 20 }],
    ["patient=Patient/anna", { count: 20, patientId: "anna" }],
    ["patient=anna&_count=7", { count: 7, patientId: "anna" }],
    ["_count=100000", { count: 500 }],
    ["agent:identifier=demo.x", { count: 20, clientId: "demo.x" }],
    ["agent:identifier=https://tidegate.example/fhir/sid/client%7Cdemo.x", { count: 20, clientId: "demo.x" }],
    ["_id=42", { count: 20, sequence: 42 }],
    ["date=2026-06-10", { count: 20, fromMs: day, untilMs: day + dayMs }],
    ["date=ge2026-06-10", { count: 20, fromMs: day, untilMs: Number.POSITIVE_INFINITY }],
    ["date=gt2026-06-10", { count: 20, fromMs: day + dayMs, untilMs: Number.POSITIVE_INFINITY }],
    ["date=le2026-06-10", { count: 20, fromMs: Number.NEGATIVE_INFINITY, untilMs: day + dayMs }],
    ["date=lt2026-06-10", { count: 20, fromMs: Number.NEGATIVE_INFINITY, untilMs: day }],
    ["date=ge2026-06-10&date=lt2026-06-11", { count: 20, fromMs: day, untilMs: day + dayMs }],
    ["_pretty=true&_format=json&_cursor=x", { count: 20 }],
  ])("%s", (query, asked) => {
    expect(value(query)).toEqual(asked);
  });

  test.each<[string, string, string]>([
    ["entity=Patient/anna", "entity", "patient, agent:identifier, date"],
    ["patient:missing=true", "patient:missing", "patient, agent:identifier, date"],
    ["__proto__=x", "__proto__", "patient, agent:identifier, date"],
    ["constructor=x", "constructor", "patient, agent:identifier, date"],
    ["patient=Patient/a,Patient/b", "patient", "Name one patient"],
    ["patient=Device/a", "patient", "Name one patient"],
    ["patient=a&patient=b", "patient", "taken once"],
    ["agent:identifier=https://other.example%7Cx", "agent:identifier", "Name one client"],
    ["agent:identifier=", "agent:identifier", "Name one client"],
    ["date=yesterday", "date", "2026-06-10"],
    ["date=ne2026-06-10", "date", "ge, gt, le or lt"],
    ["_id=x", "_id", "its number"],
    ["_count=0", "_count", "from 1 on"],
    ["_count=-1", "_count", "from 1 on"],
  ])("is refused with what to do instead: %s", (query, at, words) => {
    const parsed = read(query);
    expect(parsed.ok).toBe(false);
    if (parsed.ok) return;
    expect(parsed.refusals).toHaveLength(1);
    expect(parsed.refusals[0]).toMatchObject({ at, status: 400 });
    expect(parsed.refusals[0]?.detail).toContain(words);
  });
});

test.each([
  ["1", true],
  ["999999999999999", true],
  ["0", false],
  ["01", false],
  ["1e3", false],
  ["9007199254740993", false],
  ["-1", false],
])("an event's id: %s %s", (text, expected) => {
  expect(isEventId(text)).toBe(expected);
});
