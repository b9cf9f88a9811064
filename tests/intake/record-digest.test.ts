import { createHash } from "node:crypto";
import fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { SessionRecord } from "../../src/domain/session.ts";
import { alertId, recordDigest, recordId, sessionId } from "../../src/intake/record-digest.ts";

const record: SessionRecord = {
  sequenceNumber: 7,
  start: "2026-04-09T07:00:00Z",
  end: "2026-04-09T07:12:00Z",
  achievedInsufflationPressureCmH2O: { median: 38, p5: 35 },
  cycles: [{ triggered: true, peakCoughFlowLitresPerMinute: 210.5 }],
};

describe("the digest of a record", () => {
  test("is the SHA-256 of the device and the record with its names in order", () => {
    // Written out by hand after RFC 8785 (JSON Canonicalization Scheme): sorted names, no spaces. Times in one spelling.
    const canonical =
      '{"achievedInsufflationPressureCmH2O":{"median":38,"p5":35},"cycles":[{"peakCoughFlowLitresPerMinute":210.5,"triggered":true}],"end":"2026-04-09T07:12:00.000Z","sequenceNumber":7,"start":"2026-04-09T07:00:00.000Z"}';
    expect(recordDigest(record, "machine-1")).toBe(
      createHash("sha256").update(`machine-1\n${canonical}`).digest("hex"),
    );
  });

  test("does not depend on the order of the fields", () => {
    const shuffled = Object.keys(record).flatMap((name) => [name]);
    fc.assert(
      fc.property(fc.shuffledSubarray(shuffled, { minLength: shuffled.length }), (names) => {
        const again = Object.fromEntries(names.map((name) => [name, record[name as keyof SessionRecord]]));
        expect(recordDigest(again as unknown as SessionRecord, "machine-1")).toBe(recordDigest(record, "machine-1"));
      }),
    );
  });

  test.each<[string, SessionRecord]>([
    ["another end", { ...record, end: "2026-04-09T07:12:01Z" }],
    ["another start", { ...record, start: "2026-04-09T07:00:01Z" }],
    ["another value deep inside", { ...record, cycles: [{ triggered: true, peakCoughFlowLitresPerMinute: 210.6 }] }],
    ["one value more", { ...record, leakLitresPerMinute: 0 }],
    ["the cycles in another order", { ...record, cycles: [...(record.cycles ?? []), {}].reverse() }],
  ])("is another with %s", (_, other) => {
    expect(recordDigest(other, "machine-1")).not.toBe(recordDigest(record, "machine-1"));
  });

  test("is another on another device", () => {
    expect(recordDigest(record, "machine-2")).not.toBe(recordDigest(record, "machine-1"));
  });
});

describe("the id of a session", () => {
  const id = sessionId("machine-1", record, "session");

  test("is a FHIR id and leaves room for a prefix", () => {
    // https://hl7.org/fhir/R4/datatypes.html#id; other resources of the session put up to eight characters before it.
    expect(id).toMatch(/^session-[A-Za-z0-9\-.]{1,64}$/);
    expect(id.length).toBeLessThanOrEqual(56);
  });

  test("is the same when other values differ, so that a contradiction is seen as one", () => {
    const other: SessionRecord = { ...record, end: "2026-04-09T07:20:00Z", leakLitresPerMinute: 3 };
    expect(sessionId("machine-1", other, "session")).toBe(id);
  });

  test.each<[string, string, Pick<SessionRecord, "sequenceNumber" | "start">]>([
    ["device", "machine-2", record],
    ["sequence number", "machine-1", { ...record, sequenceNumber: 8 }],
    ["start", "machine-1", { ...record, start: "2026-04-09T07:00:01Z" }],
  ])("is another with another %s", (_, deviceId, other) => {
    expect(sessionId(deviceId, other, "session")).not.toBe(id);
  });

  test("is another without sequence number than with number 0", () => {
    const start = record.start;
    expect(sessionId("machine-1", { start }, "session")).not.toBe(
      sessionId("machine-1", { start, sequenceNumber: 0 }, "session"),
    );
  });
});

describe("one reading of the device's clock in several spellings", () => {
  const at = (start: string, end: string): SessionRecord => ({ sequenceNumber: 1, start, end });
  const spelled = at("2026-04-09T08:00:00+01:00", "2026-04-09T08:10:00+01:00");
  const inUtc = at("2026-04-09T07:00:00Z", "2026-04-09T07:10:00.000Z");

  test("is one record", () => {
    expect(sessionId("m", spelled, "session")).toBe(sessionId("m", inUtc, "session"));
    expect(recordDigest(spelled, "m")).toBe(recordDigest(inUtc, "m"));
  });

  test("a time without offset is never the same as one with", () => {
    const zoneless = at("2026-04-09T07:00:00", "2026-04-09T07:10:00");
    expect(sessionId("m", zoneless, "session")).not.toBe(sessionId("m", inUtc, "session"));
  });

  test("what is no time is taken as it stands", () => {
    expect(sessionId("m", at("soon", "later"), "session")).not.toBe(sessionId("m", at("later", "soon"), "session"));
  });
});

// RFC 3339, 5.8: two spellings of one instant (1990-12-31T23:59:60Z and 1990-12-31T15:59:60-08:00); here without the leap second.
test("an alert keeps its id whatever offset spells its time; a time without offset is a reading of its own", () => {
  const idAt = (at: string, code = "L-12") => alertId("m", { code, at });
  expect(idAt("1990-12-31T15:59:59-08:00")).toBe(idAt("1990-12-31T23:59:59Z"));
  expect(idAt("1990-12-31T23:59:59")).not.toBe(idAt("1990-12-31T23:59:59Z"));
  expect(idAt("1990-12-31T23:59:59")).toBe(idAt("1990-12-31T23:59:59.000"));
  expect(idAt("1990-12-31T23:59:58Z")).not.toBe(idAt("1990-12-31T23:59:59Z"));
  expect(idAt("1990-12-31T23:59:59Z", "L-13")).not.toBe(idAt("1990-12-31T23:59:59Z"));
});

test.each([
  ["2026-03-09T08:00:00", "2026-03-09T08:00:00"],
  ["2026-03-09T08:00:00.000", "2026-03-09T08:00:00"],
  ["2026-03-09T08:00:10Z", "2026-03-09T08:00:10Z"],
  ["2026-03-09T08:00:10.500Z", "2026-03-09T08:00:10.5Z"],
  ["2026-03-09T08:00:10.050+01:00", "2026-03-09T07:00:10.05Z"],
])("an alert at %s is known by %s", (at, known) => {
  expect(alertId("m", { code: "L-12", at })).toBe(recordId("m", ["L-12", known], "alert"));
});
