import type { CoverageRange, DeviceUse } from "./device.ts";
import type { EpochMs, TimeRange } from "./time.ts";

/** The same instants as a list of ranges sorted by start that neither overlap nor touch; empty ranges vanish. */
export function union(ranges: readonly TimeRange[]): TimeRange[] {
  const sorted = ranges.filter((range) => range.startMs < range.endMs).sort((a, b) => a.startMs - b.startMs);
  const merged: { startMs: EpochMs; endMs: EpochMs }[] = [];
  for (const { startMs, endMs } of sorted) {
    const last = merged.at(-1);
    if (last !== undefined && startMs <= last.endMs) last.endMs = Math.max(last.endMs, endMs);
    else merged.push({ startMs, endMs });
  }
  return merged;
}

/** The instants that lie in both lists, as `union` would write them. Either list may be in any order and overlap. */
export function intersect(left: readonly TimeRange[], right: readonly TimeRange[]): TimeRange[] {
  const [a, b] = [union(left), union(right)];
  const common: TimeRange[] = [];
  let [i, j] = [0, 0];
  for (let x = a[i], y = b[j]; x !== undefined && y !== undefined; x = a[i], y = b[j]) {
    const [startMs, endMs] = [Math.max(x.startMs, y.startMs), Math.min(x.endMs, y.endMs)];
    if (startMs < endMs) common.push({ startMs, endMs });
    if (x.endMs < y.endMs) i += 1;
    else j += 1;
  }
  return common;
}

/** The instants of the first list that do not lie in the second, as `union` would write them. */
export function subtract(from: readonly TimeRange[], taken: readonly TimeRange[]): TimeRange[] {
  const holes = union(taken);
  const rest: TimeRange[] = [];
  for (const { startMs, endMs } of union(from)) {
    let cursor = startMs;
    for (const hole of holes) {
      if (hole.endMs <= cursor) continue;
      if (hole.startMs >= endMs) break;
      if (hole.startMs > cursor) rest.push({ startMs: cursor, endMs: hole.startMs });
      cursor = hole.endMs;
    }
    if (cursor < endMs) rest.push({ startMs: cursor, endMs });
  }
  return rest;
}

/** Whether every instant of `range` lies in `ranges`; an empty range is always covered. */
export function covers(ranges: readonly TimeRange[], range: TimeRange): boolean {
  return subtract([range], ranges).length === 0;
}

/** When a use held: `[startMs, endMs)`, without end (`Infinity`) while it lasts. A hold has no times here; absences carry them. */
export function timeOfUse(use: DeviceUse): TimeRange {
  return { startMs: use.startMs, endMs: use.endMs ?? Number.POSITIVE_INFINITY };
}

/**
 * The times for which an upload of AT LEAST ONE machine vouches, while the patient had that machine: an upload also
 * holds what the patient before recorded, and that says nothing about this one.
 * It answers "how far do the records reach"; whether a time is known in full is `unvouchedTimes`. Empty: nothing was read.
 */
export function coverageOfPatient(coverage: readonly CoverageRange[], machineUses: readonly DeviceUse[]): TimeRange[] {
  return union(machineUses.flatMap((use) => intersect([timeOfUse(use)], coverageOfDevice(coverage, use.deviceId))));
}

/**
 * The times during which the patient had a machine whose memory nobody has read for that time. A patient with two
 * machines (bedroom, school) may have used either, so one silent machine makes the time unknown although the other's
 * memory was read. A time is covered in full when it meets none of these. What lies after `nowMs` is never vouched for,
 * whatever an upload claims. The last range has no end (`Infinity`) while a machine is with the patient.
 */
export function unvouchedTimes(
  coverage: readonly CoverageRange[],
  machineUses: readonly DeviceUse[],
  nowMs: EpochMs,
): TimeRange[] {
  const past = [{ startMs: Number.NEGATIVE_INFINITY, endMs: nowMs }];
  return union(
    machineUses.flatMap((use) => subtract([timeOfUse(use)], intersect(past, coverageOfDevice(coverage, use.deviceId)))),
  );
}

function coverageOfDevice(coverage: readonly CoverageRange[], deviceId: string): CoverageRange[] {
  return coverage.filter((range) => range.deviceId === deviceId);
}
