import { addDays, isLocalDay, startOfDayMs } from "../domain/local-day.ts";
import { accepted, type Result, refused } from "../domain/result.ts";
import type { EpochMs } from "../domain/time.ts";

const instantShape = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$/;

/**
 * The moment that `asOf` means: an instant, or a local day as it ended in this zone. Refused where it lies ahead, because
 * nobody knows that yet, or is neither.
 */
export function momentOf(asOf: string, zone: string, nowMs: EpochMs): Result<EpochMs> {
  const read = readMoment(asOf, zone);
  if (read === undefined) {
    const detail = "asOf is a day such as 2026-03-01, or an instant such as 2026-03-01T12:00:00Z.";
    return refused({ kind: "value", detail, at: "asOf", status: 400 });
  }
  if (read > nowMs) {
    const detail = "asOf lies ahead. Leave it out to ask about now; a day can be asked about when it is over.";
    return refused({ kind: "value", detail, at: "asOf", status: 400 });
  }
  return accepted(read);
}

function readMoment(asOf: string, zone: string): EpochMs | undefined {
  if (isLocalDay(asOf)) return startOfDayMs(addDays(asOf, 1), zone) - 1;
  if (!instantShape.test(asOf) || !isLocalDay(asOf.slice(0, 10))) return undefined;
  const ms = Date.parse(asOf);
  return Number.isNaN(ms) ? undefined : ms;
}
