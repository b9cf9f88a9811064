import type { Result } from "../domain/result.ts";
import { accepted, refused } from "../domain/result.ts";
import type { EpochMs } from "../domain/time.ts";
import { readInTenant } from "../store/database.ts";
import { readPatients } from "../store/picture.ts";
import { momentOf } from "./moment.ts";
import { readPastPicture } from "./past-picture.ts";
import { noSuchPatient, type ReadPicture, readPicture } from "./picture.ts";
import type { Service } from "./service.ts";

/** A picture and the moment it is of. */
export interface LookAtPatient extends ReadPicture {
  readonly atMs: EpochMs;
}

/** The picture of one patient now, or as it was known at `asOf` (a local day as it ended, or an instant). It writes nothing. */
export async function lookAtPatient(
  service: Service,
  tenantId: number,
  patientId: string,
  asOf?: string,
): Promise<Result<LookAtPatient>> {
  const nowMs = service.now();
  return readInTenant(service.database, tenantId, async (session): Promise<Result<LookAtPatient>> => {
    const [patient] = await readPatients(session, [patientId]);
    const moment = asOf === undefined ? accepted(nowMs) : momentOf(asOf, patient?.zone ?? service.defaultZone, nowMs);
    if (!moment.ok) return moment;
    const atMs = moment.value;
    const read =
      asOf === undefined
        ? await readPicture(service, session, patientId, atMs)
        : await readPastPicture(service, session, patientId, atMs);
    if (read !== undefined) return accepted({ ...read, atMs });
    if (asOf === undefined || patient === undefined) return refused(noSuchPatient(patientId));
    const detail = `Patient/${patientId} was not on record at ${asOf}. Ask for a later day.`;
    return refused({ kind: "not-found", detail, at: "asOf", status: 404 });
  });
}
