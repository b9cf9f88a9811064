import { type Band, band, bandNote, bandSource, type Measure } from "../domain/adherence.ts";
import { type DayMarker, dayMarkers } from "../domain/day-marker.ts";
import { type DayState, dayStates } from "../domain/day-state.ts";
import { addDays, localDayOf } from "../domain/local-day.ts";
import { measureSegments, measuresOf, sessionsCompletedByPart } from "../domain/measures.ts";
import { accepted, type Result, refused } from "../domain/result.ts";
import type { LocalDay } from "../domain/time.ts";
import { readInTenant } from "../store/database.ts";
import { readPatients } from "../store/picture.ts";
import { noSuchPatient, readPicture } from "./picture.ts";
import type { Service } from "./service.ts";

/** One patient's days over `[firstDay, endDay)` with the measures of the same window. */
export interface PatientDays {
  readonly patientId: string;
  readonly zone: string;
  readonly firstDay: LocalDay;
  readonly endDay: LocalDay;
  readonly days: readonly (DayState & { readonly markers: readonly DayMarker[] })[];
  /** Every measure of the window, each with the band of its ratio where it has one. */
  readonly measures: readonly (Measure & { readonly band?: Band })[];
  /** `sessions-completed` of each day part asked for. */
  readonly byPart: ReturnType<typeof sessionsCompletedByPart>;
  /** The same measures for each plan's share of the window; the counts add up to the whole. */
  readonly byPlan: ReturnType<typeof measureSegments>;
  /** Where the bands come from and what must be said beside them. */
  readonly bands: { readonly source: string; readonly note: string };
}

/** The most days that one question may span. */
export const mostDays = 400;

/** Computes a patient's days from the facts on read; defaults to the 28 full days before today. */
export async function patientDays(
  service: Service,
  tenantId: number,
  patientId: string,
  asked: { firstDay?: LocalDay; endDay?: LocalDay },
): Promise<Result<PatientDays>> {
  return readInTenant(service.database, tenantId, async (session): Promise<Result<PatientDays>> => {
    const [patient] = await readPatients(session, [patientId]);
    if (patient === undefined) {
      return refused(noSuchPatient(patientId));
    }
    const nowMs = service.now();
    const today = localDayOf(nowMs, patient.zone);
    const endDay = asked.endDay ?? today;
    const firstDay = asked.firstDay ?? addDays(endDay, -28);
    if (firstDay >= endDay || addDays(firstDay, mostDays) < endDay) {
      const detail = `Ask for at least one and at most ${mostDays} days: firstDay is inside the window, endDay is not.`;
      return refused({ kind: "value", detail, at: "firstDay", status: 400 });
    }
    const read = await readPicture(service, session, patientId, nowMs, firstDay);
    // Deleted between the two statements.
    if (read === undefined) return refused(noSuchPatient(patientId));
    const { picture } = read;
    const days = dayStates(picture, firstDay, endDay);
    const markers = dayMarkers(picture);
    return accepted({
      patientId,
      zone: patient.zone,
      firstDay,
      endDay,
      days: days.map((day) => ({ ...day, markers: markers.get(day.day) ?? [] })),
      measures: measuresOf(picture, firstDay, endDay).map(withBand),
      byPart: sessionsCompletedByPart(picture, firstDay, endDay),
      byPlan: measureSegments(picture, firstDay, endDay),
      bands: { source: bandSource, note: bandNote },
    });
  });
}

function withBand(measure: Measure): Measure & { readonly band?: Band } {
  return measure.ratio === undefined ? measure : { ...measure, band: band(measure.ratio) };
}
