import { validateResource } from "@medplum/core";
import fc from "fast-check";
import { beforeAll, expect, test } from "vitest";
import type { Session } from "../../src/domain/session.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { idOf, sessionOf, sessionResources } from "../../src/fhir/session.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const context = { zone: "Europe/London", dayParts: defaultThresholds.dayParts };
const upload = { documentId: "upload-1", statementId: "use-1", deviceEnd: "2026-03-09T08:10:00" };

const plain: Session = {
  sessionId: "session-1",
  patientId: "p1",
  deviceId: "d1",
  startMs: Date.parse("2026-03-09T08:00:00.123Z"),
  endMs: Date.parse("2026-03-09T08:10:00Z"),
  deviceStart: "2026-03-09T11:00:00",
  localDay: "2026-03-09",
  dayPart: "morning",
  readMs: Date.parse("2026-03-10T08:00:00Z"),
  recordDigest: "ab".repeat(32),
};

const everyMeasure: Partial<Session> = {
  sequenceNumber: 41,
  profileSlot: "A",
  triggerMode: "patient-triggered",
  cyclesDelivered: 20,
  cyclesTriggered: 18,
  setInsufflationPressureCmH2O: 35,
  setExsufflationPressureCmH2O: -40,
  setInsufflationSeconds: 1.5,
  setExsufflationSeconds: 1.5,
  setPauseSeconds: 1,
  achievedInsufflationPressureCmH2O: { median: 34, p5: 30, p95: 35.5 },
  achievedExsufflationPressureCmH2O: { median: -39, p5: -41, p95: -33 },
  insufflatedVolumeMillilitres: 1450,
  peakCoughFlowLitresPerMinute: 210,
  leakLitresPerMinute: 12,
  lowestSpo2Percent: 93,
  meanSpo2Percent: 96,
  pulsePerMinute: 88,
  stopReason: "finished",
  test: true,
};

const number = fc.double({ min: -1000, max: 1000, noNaN: true }).map((value) => value + 0);
const word = fc.string({ minLength: 1, maxLength: 20 }).map((text) => `x${text.trim()}`);
const spread = fc.record(
  { median: number, p5: number, p95: number },
  { requiredKeys: ["median"], noNullPrototype: true },
);
const measures = fc.record(
  {
    profileSlot: word,
    triggerMode: fc.constantFrom("manual", "automatic-timed", "patient-triggered", "insufflation-only"),
    cyclesDelivered: fc.nat(500),
    cyclesTriggered: fc.nat(500),
    setInsufflationPressureCmH2O: number,
    setExsufflationPressureCmH2O: number,
    setInsufflationSeconds: number,
    setExsufflationSeconds: number,
    setPauseSeconds: number,
    achievedInsufflationPressureCmH2O: spread,
    achievedExsufflationPressureCmH2O: spread,
    insufflatedVolumeMillilitres: number,
    peakCoughFlowLitresPerMinute: number,
    leakLitresPerMinute: number,
    lowestSpo2Percent: number,
    meanSpo2Percent: number,
    pulsePerMinute: number,
    stopReason: word,
    sequenceNumber: fc.nat(2_147_483_647),
    test: fc.constant(true as const),
  },
  { requiredKeys: [] },
);

// From the first millisecond of 1970, which is no less an instant for being zero.
const instant = fc.integer({ min: 0, max: Date.parse("2100-01-01T00:00:00Z") });
const day = instant.map((ms) => new Date(ms).toISOString().slice(0, 10));
const frame = fc
  .record(
    { startMs: instant, lengthMs: fc.nat(3_600_000), localDay: day, readMs: instant, dayPart: fc.constant("evening") },
    { requiredKeys: ["startMs", "lengthMs", "localDay", "readMs"] },
  )
  .map(({ lengthMs, ...rest }) => ({ ...rest, endMs: rest.startMs + lengthMs }));

test("a session reads back from its Observation exactly as it was, to the millisecond, through JSON", () => {
  const { dayPart: _, ...outsideAllParts } = plain;
  fc.assert(
    fc.property(frame, measures, (times, some) => {
      const session = { ...outsideAllParts, ...times, ...some } as Session;
      const { observation } = sessionResources(session, upload);
      expect(sessionOf(JSON.parse(JSON.stringify(observation)), context)).toStrictEqual(session);
    }),
  );
});

test("Observation and DeviceUseStatement are valid R4 (@medplum/core's validator) with every measure and with none", () => {
  for (const session of [plain, { ...plain, ...everyMeasure }]) {
    const { observation, statement } = sessionResources(session, { ...upload, profileRequestId: "r1" });
    expect([validateResource(observation), validateResource(statement)]).toEqual([[], []]);
  }
});

test("the prescription link stands on the Observation: R4's DeviceUseStatement.basedOn takes no DeviceRequest", () => {
  const { observation, statement } = sessionResources(plain, { ...upload, profileRequestId: "r1" });
  expect(observation.basedOn).toEqual([{ reference: "DeviceRequest/r1" }]);
  expect(statement.basedOn).toBeUndefined();
  expect(statement.derivedFrom).toEqual([{ reference: "Observation/session-1" }]);
});

test("exsufflation pressure stays negative, in cm[H2O]", () => {
  const { observation } = sessionResources({ ...plain, setExsufflationPressureCmH2O: -40 }, upload);
  expect(observation.component?.[0]?.valueQuantity).toMatchObject({ value: -40, code: "cm[H2O]" });
});

test("an Observation of another system under our session code gives what it holds, its day settled in the zone given", () => {
  const { observation } = sessionResources(plain, upload);
  const { extension: _, identifier: _identifier, ...foreign } = observation;
  // Half past midnight in British summer time: still the evening before.
  const night = { start: "2026-06-10T23:30:00Z", end: "2026-06-10T23:40:00Z" };
  expect(sessionOf({ ...foreign, effectivePeriod: night }, context)).toMatchObject({
    localDay: "2026-06-10",
    dayPart: "evening",
    readMs: Date.parse(night.end),
    recordDigest: "0".repeat(64),
    deviceStart: night.start,
  });
});

test("what is entered in error, of another kind, of nobody, or ends before it starts states no session", () => {
  const { observation } = sessionResources(plain, upload);
  expect(sessionOf({ ...observation, status: "entered-in-error" }, context)).toBeUndefined();
  expect(sessionOf({ ...observation, code: { text: "Pulse" } }, context)).toBeUndefined();
  const { subject: _, ...ofNobody } = observation;
  expect(sessionOf(ofNobody, context)).toBeUndefined();
  const backwards = { start: "2026-03-09T08:10:00Z", end: "2026-03-09T08:00:00Z" };
  expect(sessionOf({ ...observation, effectivePeriod: backwards }, context)).toBeUndefined();
});

// https://hl7.org/fhir/R4/valueset-observation-status.html: cancelled is not started or not completed, registered has
// no result yet.
test.each(["cancelled", "registered"] as const)("a session that is %s did not take place", (status) => {
  const { observation } = sessionResources(plain, upload);
  expect(sessionOf({ ...observation, status }, context)).toBeUndefined();
  expect(sessionOf({ ...observation, status: "amended" }, context)).toBeDefined();
});

test("a session that says its day but no time is none: as midnight it would count to the evening before", () => {
  const { observation } = sessionResources(plain, upload);
  const effectivePeriod = { start: "2026-03-09", end: "2026-03-09" };
  expect(sessionOf({ ...observation, effectivePeriod }, context)).toBeUndefined();
});

test.each([
  ["Patient/a", "a"],
  ["https://x.test/fhir/Patient/a/_history/2", "a"],
  ["Device/a", undefined],
  ["urn:uuid:1", undefined],
])("the Patient id in %s is %s", (reference, id) => {
  expect(idOf(reference, "Patient")).toBe(id);
});
