import type { Picture } from "../../src/domain/picture.ts";
import type { Plan, Schedule } from "../../src/domain/prescription.ts";
import type { Session } from "../../src/domain/session.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

const zone = "Europe/London";
/** The instant of a London wall-clock time such as `2026-06-10T08:00`. */
export const instant = (text: string) => Temporal.ZonedDateTime.from(`${text}[${zone}]`).epochMilliseconds;

/** Morning and evening. */
export const twiceDaily: Schedule = { kind: "day-parts", parts: ["morning", "evening"] };

/** One plan in force since January. */
export function plan(schedule: Schedule, over: Partial<Plan> = {}): Plan {
  return {
    planId: "plan-1",
    status: "active",
    firstDay: "2026-01-01",
    holds: [],
    profiles: [{ profileId: "profile-1", role: "usual", schedule }],
    ...over,
  };
}

/** One machine since January, read up to the end of 20 June (04:00 on the 21st), reviewed at noon on 25 June. */
export function picture(over: Partial<Picture> = {}): Picture {
  return {
    patientId: "patient-1",
    zone,
    nowMs: instant("2026-06-25T12:00"),
    today: "2026-06-25",
    tracheostomy: false,
    plans: [plan(twiceDaily)],
    sessions: [],
    machineUses: [use("device-1", "2026-01-05T10:00")],
    coverage: [read("device-1", "2026-01-05T10:00", "2026-06-21T04:00")],
    parts: [],
    contraindications: [],
    absences: [],
    infections: [],
    screenings: [{ responseId: "screening-1", day: "2026-01-01" }],
    alerts: [],
    clockChecks: [],
    tasks: [],
    thresholds: defaultThresholds,
    ...over,
  };
}

/** A machine with the patient, London wall-clock times. */
export function use(deviceId: string, start: string, end?: string) {
  const startMs = instant(start);
  return {
    useId: `use-${deviceId}`,
    deviceId,
    patientId: "patient-1",
    startMs,
    ...(end !== undefined && { endMs: instant(end) }),
  };
}

/** What an upload vouches for, London wall-clock times. */
export function read(deviceId: string, start: string, end: string) {
  return { deviceId, uploadId: "upload-1", startMs: instant(start), endMs: instant(end) };
}

/** A session of 15 minutes at 08:00, 20:00 or, without a part, 13:00. */
export function session(
  localDay: string,
  dayPart: "morning" | "evening" | undefined,
  over: Partial<Session> = {},
): Session {
  const startMs = instant(`${localDay}T${dayPart === "morning" ? "08:00" : dayPart === "evening" ? "20:00" : "13:00"}`);
  return {
    sessionId: `session-${localDay}-${dayPart}`,
    patientId: "patient-1",
    deviceId: "device-1",
    startMs,
    endMs: startMs + 15 * 60_000,
    deviceStart: `${localDay}T08:00:00`,
    localDay,
    ...(dayPart !== undefined && { dayPart }),
    readMs: instant("2026-06-21T04:00"),
    recordDigest: "00",
    ...over,
  };
}
