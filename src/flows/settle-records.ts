import { type ClockCorrection, correctedMs } from "../domain/clock-correction.ts";
import { summariseCycles } from "../domain/cycle-summary.ts";
import { settleDay } from "../domain/day-part.ts";
import { type DeviceUse, useAt } from "../domain/device.ts";
import type { PatientFacts } from "../domain/facts.ts";
import type { DayPart, Plan } from "../domain/prescription.ts";
import { cyclesShortOfPressure, recordedPressures } from "../domain/pressure-shortfall.ts";
import type { Refusal } from "../domain/result.ts";
import type { Session, SessionRecord } from "../domain/session.ts";
import { checkSession } from "../domain/session-check.ts";
import { recordDigest, sessionId } from "../intake/record-digest.ts";
import type { ReadUpload } from "../intake/use-record.ts";
import type { RefusedRecord } from "../store/upload.ts";

/** What the records of one upload are settled against. */
export interface Surroundings {
  readonly deviceId: string;
  readonly uses: readonly DeviceUse[];
  readonly correction: ClockCorrection;
  readonly patients: ReadonlyMap<string, PatientFacts>;
  readonly plans: ReadonlyMap<string, readonly Plan[]>;
  readonly dayParts: readonly DayPart[];
  /** How far a cycle may fall short of the set pressure. */
  readonly pressureShortfallShare: number;
  readonly defaultZone: string;
}

/** A session ready to be stored, with the received times beside the corrected ones. */
export interface SettledSession {
  readonly session: Session;
  readonly record: SessionRecord;
  /** The DeviceRequest whose settings the session ran on, where plan and slot tell. */
  readonly profileRequestId?: string;
}

/** The records of one upload, sorted by what must be done with them. */
export interface SettledRecords {
  readonly fresh: readonly SettledSession[];
  /** Known already, read earlier this time: their corrected times are settled anew. */
  readonly retimed: readonly SettledSession[];
  readonly unchanged: number;
  readonly refused: readonly (RefusedRecord & { readonly at: string; readonly refusals: readonly Refusal[] })[];
}

/**
 * Decides for each record of an upload: new, known, known but read earlier this time, or refused.
 * A record is the same when device, sequence number and the device's own start are; same identity and other
 * values is a contradiction, refused while the first version stays and both can be seen.
 */
export async function settleRecords(
  upload: ReadUpload,
  around: Surroundings,
  stored: (sessionIds: string[]) => Promise<Map<string, { recordDigest: string; readMs: number }>>,
): Promise<SettledRecords> {
  const refused: SettledRecords["refused"][number][] = upload.refusedSessions.map((one) => ({
    position: one.index,
    at: one.at,
    kind: "invalid",
    refusals: one.refusals,
    received: one.received,
  }));
  const settled = new Map<string, SettledSession>();
  const origins = new Map<string, { index: number; at: string }>();
  let unchanged = 0;
  for (const { index, at, record } of upload.sessions) {
    const one = settleOne(record, at, around);
    if ("refusals" in one) {
      refused.push({ position: index, at, kind: one.kind, refusals: one.refusals, received: record });
      continue;
    }
    const id = one.session.sessionId;
    const twin = settled.get(id);
    if (twin === undefined) {
      settled.set(id, one);
      origins.set(id, { index, at });
    } else if (twin.session.recordDigest === one.session.recordDigest) unchanged += 1;
    else refused.push(contradiction({ index, at }, record, id));
  }
  const known = settled.size === 0 ? new Map() : await stored([...settled.keys()]);
  const fresh: SettledSession[] = [];
  const retimed: SettledSession[] = [];
  for (const [id, one] of settled) {
    const before = known.get(id);
    if (before === undefined) fresh.push(one);
    else if (before.recordDigest !== one.session.recordDigest) {
      refused.push(contradiction(origins.get(id) ?? { index: 0, at: "sessions" }, one.record, id));
    } else if (one.session.readMs < before.readMs) retimed.push(one);
    else unchanged += 1;
  }
  return { fresh, retimed, unchanged, refused };
}

function contradiction(
  origin: { index: number; at: string },
  record: SessionRecord,
  id: string,
): SettledRecords["refused"][number] {
  const detail = `This record was already received with other values, as Observation/${id}. The first version stays; compare both and correct the Observation if this one is right.`;
  return {
    position: origin.index,
    at: origin.at,
    kind: "contradiction",
    refusals: [{ kind: "conflict", detail, at: origin.at }],
    received: record,
    sessionId: id,
  };
}

type Settling = SettledSession | { readonly kind: string; readonly refusals: readonly Refusal[] };

function settleOne(record: SessionRecord, at: string, around: Surroundings): Settling {
  const start = correctedMs(record.start, around.correction);
  const end = correctedMs(record.end, around.correction);
  if (!start.ok) return { kind: "wrong-clock", refusals: start.refusals.map((one) => ({ ...one, at: `${at}.start` })) };
  if (!end.ok) return { kind: "wrong-clock", refusals: end.refusals.map((one) => ({ ...one, at: `${at}.end` })) };
  const refusals = checkSession(record, start.value, end.value, around.correction.readMs, at);
  if (refusals.length > 0) return { kind: inFuture(start.value, around) ? "wrong-clock" : "invalid", refusals };
  const use = useAt(around.uses, start.value);
  if (use === undefined) {
    const detail = `Nobody had device ${around.deviceId} at ${new Date(start.value).toISOString()}. Record who had it as a DeviceUseStatement whose timingPeriod covers this time, and replay the upload.`;
    return { kind: "device-with-nobody", refusals: [{ kind: "not-found", detail, at: `${at}.start` }] };
  }
  return sessionOf(record, { startMs: start.value, endMs: end.value, patientId: use.patientId }, around);
}

function inFuture(startMs: number, around: Surroundings): boolean {
  return startMs > around.correction.readMs;
}

function sessionOf(
  record: SessionRecord,
  placed: { startMs: number; endMs: number; patientId: string },
  around: Surroundings,
): SettledSession {
  const { start, end: _, cycles, ...stated } = record;
  const zone = around.patients.get(placed.patientId)?.zone ?? around.defaultZone;
  const short =
    cycles === undefined
      ? undefined
      : cyclesShortOfPressure(cycles, recordedPressures(stated), around.pressureShortfallShare);
  const session: Session = {
    ...(cycles === undefined ? {} : summariseCycles(cycles)),
    ...(short === undefined ? {} : { cyclesShortOfPressure: short }),
    ...stated,
    ...placed,
    ...settleDay(placed.startMs, zone, around.dayParts),
    sessionId: sessionId(around.deviceId, record, "session"),
    deviceId: around.deviceId,
    deviceStart: start,
    readMs: around.correction.readMs,
    recordDigest: recordDigest(record, around.deviceId),
  };
  const profileRequestId = profileInForce(session, around.plans.get(placed.patientId) ?? []);
  return { session, record, ...(profileRequestId === undefined ? {} : { profileRequestId }) };
}

/** The profile in the recorded slot of the plan in force, or the plan's only profile when no slot was recorded. */
function profileInForce(session: Session, plans: readonly Plan[]): string | undefined {
  const day = session.localDay;
  const plan = plans.find((one) => one.firstDay <= day && (one.endDay === undefined || day < one.endDay));
  if (plan === undefined) return undefined;
  const profiles = plan.profiles.filter(
    ({ fromDay, untilDay }) => (fromDay === undefined || fromDay <= day) && (untilDay === undefined || day < untilDay),
  );
  if (session.profileSlot === undefined) return profiles.length === 1 ? profiles[0]?.profileId : undefined;
  return profiles.find((profile) => profile.slot === session.profileSlot)?.profileId;
}
