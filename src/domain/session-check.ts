import type { Refusal } from "./result.ts";
import type { CycleRecord, SessionRecord, Spread } from "./session.ts";
import type { EpochMs } from "./time.ts";

const LONGEST_SESSION_MS = 24 * 3_600_000;
const LATEST_AFTER_READING_MS = 5 * 60_000;

interface Limit {
  readonly lowest: number;
  readonly highest: number;
  readonly unit: string;
}

// Choices of this service, wide on purpose: they stop slips of unit, sign and digit and are no clinical advice. Published
// settings lie at 10 to 50 cmH2O either way (Chatwin & Simonds 2020; Andersen et al. 2017, Thorax 72(3):221); 70 cmH2O
// as the ceiling of the hardware is from memory.
const insufflationPressure: Limit = { lowest: 0, highest: 70, unit: "cmH2O" };
const exsufflationPressure: Limit = { lowest: -70, highest: 0, unit: "cmH2O" };
const phase: Limit = { lowest: 0.1, highest: 10, unit: "s" };
const pause: Limit = { lowest: 0, highest: 10, unit: "s" };
const volume: Limit = { lowest: 0, highest: 10_000, unit: "mL" };
const peakCoughFlow: Limit = { lowest: 0, highest: 1500, unit: "L/min" };
const leak: Limit = { lowest: 0, highest: 500, unit: "L/min" };
const saturation: Limit = { lowest: 0, highest: 100, unit: "%" };
const pulse: Limit = { lowest: 0, highest: 350, unit: "/min" };

/**
 * Every reason why a session record cannot be true, each with the path of its element (`at` + field) and what to do;
 * empty when there is none. `startMs` and `endMs` are on corrected time, `readMs` is when the memory was read: nothing
 * can have been recorded more than five minutes after that. What lies within the limits is not thereby sensible.
 */
export function checkSession(
  record: SessionRecord,
  startMs: EpochMs,
  endMs: EpochMs,
  readMs: EpochMs,
  at: string,
): Refusal[] {
  return [
    ...checkTimes(startMs, endMs, readMs, at),
    ...checkSettings(record, at),
    ...checkCounts(record, at),
    ...checkSpread(
      record.achievedInsufflationPressureCmH2O,
      insufflationPressure,
      `${at}.achievedInsufflationPressureCmH2O`,
    ),
    ...checkSpread(
      record.achievedExsufflationPressureCmH2O,
      exsufflationPressure,
      `${at}.achievedExsufflationPressureCmH2O`,
    ),
    ...checkNumber(record.insufflatedVolumeMillilitres, volume, `${at}.insufflatedVolumeMillilitres`),
    ...checkNumber(record.peakCoughFlowLitresPerMinute, peakCoughFlow, `${at}.peakCoughFlowLitresPerMinute`),
    ...checkNumber(record.leakLitresPerMinute, leak, `${at}.leakLitresPerMinute`),
    ...checkOxygen(record, at),
    ...(record.cycles ?? []).flatMap((cycle, index) => checkCycle(cycle, `${at}.cycles[${index}]`)),
  ];
}

function checkTimes(startMs: EpochMs, endMs: EpochMs, readMs: EpochMs, at: string): Refusal[] {
  if (!(endMs > startMs)) {
    return [refusal("invariant", "The session ends before or as it starts; check start and end.", `${at}.end`)];
  }
  const refusals: Refusal[] = [];
  if (endMs - startMs > LONGEST_SESSION_MS) {
    const detail = "The session is longer than 24 hours; check start and end, and whether the device was left running.";
    refusals.push(refusal("invariant", detail, `${at}.end`));
  }
  if (endMs - readMs > LATEST_AFTER_READING_MS) {
    const detail =
      "The session ends in the future, more than 5 minutes after the memory was read; send deviceClockAtReading so that the device clock can be corrected.";
    refusals.push(refusal("invariant", detail, `${at}.end`));
  }
  return refusals;
}

function checkSettings(record: SessionRecord, at: string): Refusal[] {
  return [
    ...checkNumber(record.setInsufflationPressureCmH2O, insufflationPressure, `${at}.setInsufflationPressureCmH2O`),
    ...checkNumber(record.setExsufflationPressureCmH2O, exsufflationPressure, `${at}.setExsufflationPressureCmH2O`),
    ...checkNumber(record.setInsufflationSeconds, phase, `${at}.setInsufflationSeconds`),
    ...checkNumber(record.setExsufflationSeconds, phase, `${at}.setExsufflationSeconds`),
    ...checkNumber(record.setPauseSeconds, pause, `${at}.setPauseSeconds`),
  ];
}

function checkCounts(record: SessionRecord, at: string): Refusal[] {
  const refusals = (["sequenceNumber", "cyclesDelivered", "cyclesTriggered"] as const)
    .filter((name) => record[name] !== undefined && !(Number.isSafeInteger(record[name]) && record[name] >= 0))
    .map((name) => refusal("value", `${record[name]} is no count; send a whole number, 0 or more.`, `${at}.${name}`));
  const { cyclesDelivered, cyclesTriggered } = record;
  if (cyclesDelivered !== undefined && cyclesTriggered !== undefined && cyclesTriggered > cyclesDelivered) {
    const detail = `${cyclesTriggered} triggered of ${cyclesDelivered} delivered cycles cannot be; delivered counts all cycles, triggered ones included.`;
    refusals.push(refusal("invariant", detail, `${at}.cyclesTriggered`));
  }
  return refusals;
}

function checkOxygen(record: SessionRecord, at: string): Refusal[] {
  const refusals = [
    ...checkNumber(record.lowestSpo2Percent, saturation, `${at}.lowestSpo2Percent`),
    ...checkNumber(record.meanSpo2Percent, saturation, `${at}.meanSpo2Percent`),
    ...checkNumber(record.pulsePerMinute, pulse, `${at}.pulsePerMinute`),
  ];
  const { lowestSpo2Percent: lowest, meanSpo2Percent: mean } = record;
  if (lowest !== undefined && mean !== undefined && lowest > mean) {
    const detail = `The lowest saturation (${lowest} %) is above the mean (${mean} %); they may have been swapped.`;
    refusals.push(refusal("invariant", detail, `${at}.lowestSpo2Percent`));
  }
  return refusals;
}

function checkCycle(cycle: CycleRecord, at: string): Refusal[] {
  return [
    ...checkNumber(cycle.peakInsufflationPressureCmH2O, insufflationPressure, `${at}.peakInsufflationPressureCmH2O`),
    ...checkNumber(cycle.peakExsufflationPressureCmH2O, exsufflationPressure, `${at}.peakExsufflationPressureCmH2O`),
    ...checkNumber(cycle.insufflatedVolumeMillilitres, volume, `${at}.insufflatedVolumeMillilitres`),
    ...checkNumber(cycle.peakCoughFlowLitresPerMinute, peakCoughFlow, `${at}.peakCoughFlowLitresPerMinute`),
  ];
}

function checkSpread(spread: Spread | undefined, limit: Limit, at: string): Refusal[] {
  if (spread === undefined) return [];
  const { median, p5, p95 } = spread;
  const refusals = [
    ...checkNumber(median, limit, `${at}.median`),
    ...checkNumber(p5, limit, `${at}.p5`),
    ...checkNumber(p95, limit, `${at}.p95`),
  ];
  if ((p5 ?? median) > median || (p95 ?? median) < median || (p5 ?? median) > (p95 ?? median)) {
    const detail = `Send p5 ≤ median ≤ p95, by the numbers with their sign (for exsufflation -42 lies below -38); got ${p5}, ${median}, ${p95}.`;
    refusals.push(refusal("invariant", detail, at));
  }
  return refusals;
}

function checkNumber(value: number | undefined, limit: Limit, at: string): Refusal[] {
  if (value === undefined) return [];
  if (!Number.isFinite(value)) return [refusal("value", "Send a finite number, or leave the element out.", at)];
  if (limit === exsufflationPressure && value > 0) {
    const detail = `Exsufflation is suction, so its pressure is written negative: send ${-value} instead of ${value} cmH2O.`;
    return [refusal("value", detail, at)];
  }
  if (value >= limit.lowest && value <= limit.highest) return [];
  const detail = `${value} ${limit.unit} is not possible here; send ${limit.lowest} to ${limit.highest} ${limit.unit}, and check unit and sign.`;
  return [refusal("value", detail, at)];
}

function refusal(kind: Refusal["kind"], detail: string, at: string): Refusal {
  return { kind, detail, at };
}
