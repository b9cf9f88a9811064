import { type ChangeSignal, changeSignal } from "../domain/change-signal/change-signal.ts";
import { changeSignalNote } from "../domain/change-signal/diagnostic.ts";
import { type CompletionWeek, weeklyCompletion } from "../domain/change-signal/weekly-completion.ts";
import { dayStates } from "../domain/day-state.ts";
import { addDays, localDayOf } from "../domain/local-day.ts";
import { accepted, type Result, refused } from "../domain/result.ts";
import type { ChangeSignalSettings } from "../domain/thresholds.ts";
import type { LocalDay } from "../domain/time.ts";
import { readInTenant } from "../store/database.ts";
import { noSuchPatient, readPicture } from "./picture.ts";
import type { Service } from "./service.ts";

/** The change signal of one patient with everything that its charts show. */
export interface PatientChangeSignal {
  readonly patientId: string;
  readonly day: LocalDay;
  readonly settings: ChangeSignalSettings;
  readonly source: string;
  /** What must be said beside every chart. */
  readonly note: string;
  readonly thresholdsVersion: string;
  /** Absent while it is switched off: nobody is shown a signal that nobody asked for. */
  readonly signal?: ChangeSignal;
  /** Asked sessions done, week by week. */
  readonly weekly: readonly CompletionWeek[];
}

const weeklyDays = 26 * 7;

/** Computes the chart on read; it looks back to where the baseline begins. */
export async function patientChangeSignal(
  service: Service,
  tenantId: number,
  patientId: string,
): Promise<Result<PatientChangeSignal>> {
  const nowMs = service.now();
  // A day more than the weeks, whatever the patient's zone.
  const firstDay = addDays(localDayOf(nowMs, "UTC"), -weeklyDays - 1);
  const read = await readInTenant(service.database, tenantId, (session) =>
    readPicture(service, session, patientId, nowMs, firstDay),
  );
  if (read === undefined) return refused(noSuchPatient(patientId));
  const { picture } = read;
  const { thresholds, today } = picture;
  return accepted({
    patientId,
    day: today,
    settings: thresholds.changeSignal,
    source: thresholds.sources.changeSignal,
    note: changeSignalNote(),
    thresholdsVersion: thresholds.version,
    ...(thresholds.changeSignal.on && { signal: changeSignal(picture) }),
    weekly: weeklyCompletion(dayStates(picture, addDays(today, -weeklyDays), today)),
  });
}
