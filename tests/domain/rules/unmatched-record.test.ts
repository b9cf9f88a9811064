import { expect, test } from "vitest";
import { unmatchedRecordFinding } from "../../../src/domain/rules/unmatched-record.ts";

const record = {
  deviceIdentifier: "https://example.org/serial|A-17",
  uploadIds: ["upload-2", "upload-1", "upload-2"],
  refusedCount: 12,
  firstReceivedDay: "2026-03-12",
  reason: "unknown-device" as const,
};

test("it tells how much of which device waits, since when and why", () => {
  expect(unmatchedRecordFinding(record)).toMatchObject({
    rule: "unmatched-record",
    subject: "device:https://example.org/serial|A-17",
    severity: "review",
    safety: false,
    sinceDay: "2026-03-12",
    text: "12 sessions in 2 uploads from device https://example.org/serial|A-17, the first received on 12 March 2026, could not be given to a patient: no device with this identifier is registered.",
    focus: "DocumentReference/upload-1",
  });
});

test("the order and repetition of uploads change nothing", () => {
  expect(unmatchedRecordFinding({ ...record, uploadIds: ["upload-1", "upload-2"] })).toEqual(
    unmatchedRecordFinding(record),
  );
});

test("a device that nobody had asks who had it", () => {
  const finding = unmatchedRecordFinding({ ...record, reason: "device-with-nobody" });
  expect(finding.text).toContain("no patient had the device at the time");
  expect(finding.clearsWhen).toBe(
    "It is recorded which patient had the device at that time, and the uploads are read again.",
  );
});

test("of many uploads ten are named and all are counted", () => {
  const uploadIds = Array.from({ length: 14 }, (_, index) => `upload-${index}`);
  const finding = unmatchedRecordFinding({ ...record, uploadIds });
  expect(finding.evidence.filter((one) => one.name === "upload")).toHaveLength(10);
  expect(finding.text).toContain("14 uploads");
});
