import { forecastDays, type PartNeed, partNeeds } from "../domain/part-forecast.ts";
import { type PartState, partStates } from "../domain/part-state.ts";
import { accepted, type Result, refused } from "../domain/result.ts";
import { reasonOf, titleOf } from "../domain/rules/part-finding.ts";
import type { LocalDay } from "../domain/time.ts";
import { readInTenant } from "../store/database.ts";
import {
  type KindNeed,
  type NeedsQuery,
  type PatientNeed,
  readNeedsByKind,
  readNeedsByPatient,
} from "../store/part-needs.ts";
import { noSuchPatient, readPicture } from "./picture.ts";
import type { Service } from "./service.ts";

/** One part with the words for it. */
export interface ShownPart extends PartState {
  readonly title: string;
  /** Why it is to be replaced and by when; absent where nothing asks for it. */
  readonly why?: string;
}

/** The parts of one patient, and what they need next. */
export interface PatientParts {
  readonly patientId: string;
  readonly day: LocalDay;
  readonly thresholdsVersion: string;
  readonly parts: readonly ShownPart[];
  /** Of the next 90 days. */
  readonly needs: readonly PartNeed[];
}

/** Every part that was ever fitted, in that order, with its state today. */
export async function patientParts(
  service: Service,
  tenantId: number,
  patientId: string,
): Promise<Result<PatientParts>> {
  const read = await readInTenant(service.database, tenantId, (session) =>
    readPicture(service, session, patientId, service.now()),
  );
  if (read === undefined) return refused(noSuchPatient(patientId));
  const { picture } = read;
  return accepted({
    patientId,
    day: picture.today,
    thresholdsVersion: picture.thresholds.version,
    parts: partStates(picture).map((state) => ({
      ...state,
      title: titleOf(state),
      ...(state.replaceByDay === undefined ? {} : { why: reasonOf(state, state.replaceByDay) }),
    })),
    needs: partNeeds(picture, forecastDays),
  });
}

/** What all patients together need. */
export interface ServiceForecast {
  readonly kinds: readonly KindNeed[];
  readonly patients: readonly PatientNeed[];
  /** The patient after whom the next page begins, where there is one. */
  readonly next?: string;
}

/**
 * What the store room needs, as the last review of each patient foresaw it: reviews run at every change and once a day,
 * so it is at most a day old. One statement for the kinds, one for a page of patients.
 */
export async function partForecast(
  service: Service,
  tenantId: number,
  query: NeedsQuery,
  page: { readonly count: number; readonly afterId?: string },
): Promise<ServiceForecast> {
  return readInTenant(service.database, tenantId, async (session) => {
    const kinds = await readNeedsByKind(session, query);
    const found = await readNeedsByPatient(session, query, { ...page, count: page.count + 1 });
    const patients = found.slice(0, page.count);
    const last = patients.at(-1);
    return {
      kinds,
      patients,
      ...(found.length > page.count && last !== undefined ? { next: last.patientId } : {}),
    };
  });
}
