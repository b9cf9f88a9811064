import { settleDay } from "../../src/domain/day-part.ts";
import { addDays } from "../../src/domain/local-day.ts";
import type { Picture } from "../../src/domain/picture.ts";
import type { Plan } from "../../src/domain/prescription.ts";
import type { Session } from "../../src/domain/session.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

export const zone = "Europe/London";

/** The instant of a London wall clock time. */
export function instant(text: string): number {
  return Temporal.ZonedDateTime.from(`${text}[${zone}]`).epochMilliseconds;
}

/** A plan since New Year that asks for a session every morning and every evening at 40 and -40 cmH2O. */
export function examplePlan(over: Partial<Plan> = {}): Plan {
  return {
    planId: "plan-1",
    status: "active",
    firstDay: "2026-01-01",
    holds: [],
    profiles: [
      {
        profileId: "profile-1",
        role: "usual",
        slot: "1",
        schedule: { kind: "day-parts", parts: ["morning", "evening"] },
        insufflationPressureCmH2O: 40,
        exsufflationPressureCmH2O: -40,
        insufflationSeconds: 1.5,
        exsufflationSeconds: 2,
      },
    ],
    ...over,
  };
}

/** Ten minutes of therapy from a London wall clock time on; the time also makes its id. */
export function exampleSession(start: string, over: Partial<Session> = {}): Session {
  const startMs = instant(start);
  return {
    sessionId: `session-${start.replaceAll(":", "-")}`,
    patientId: "patient-1",
    deviceId: "machine-1",
    startMs,
    endMs: startMs + 600_000,
    deviceStart: start,
    ...settleDay(startMs, zone, defaultThresholds.dayParts),
    readMs: instant("2026-03-15T06:00"),
    recordDigest: start,
    cyclesDelivered: 20,
    ...over,
  };
}

/** A session each morning and evening of `[firstDay, endDay)`. */
export function everySession(firstDay: string, endDay: string): Session[] {
  const sessions: Session[] = [];
  for (let day = firstDay; day < endDay; day = addDays(day, 1)) {
    sessions.push(exampleSession(`${day}T08:00`), exampleSession(`${day}T20:00`));
  }
  return sessions;
}

/** Noon on 15 March 2026; one machine since New Year, its memory read that morning, all of it; nothing else recorded. */
export function examplePicture(over: Partial<Picture> = {}): Picture {
  return {
    patientId: "patient-1",
    zone,
    nowMs: instant("2026-03-15T12:00"),
    today: "2026-03-15",
    tracheostomy: false,
    plans: [examplePlan()],
    sessions: [],
    machineUses: [
      { useId: "use-1", deviceId: "machine-1", patientId: "patient-1", startMs: instant("2026-01-01T00:00") },
    ],
    coverage: [
      {
        deviceId: "machine-1",
        uploadId: "upload-1",
        startMs: instant("2026-01-01T00:00"),
        endMs: instant("2026-03-15T06:00"),
      },
    ],
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
