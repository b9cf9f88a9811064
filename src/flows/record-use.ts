import { createHash } from "node:crypto";
import { type ClockCorrection, correctedMs, correctionOf } from "../domain/clock-correction.ts";
import type { CoverageRange, DeviceUse } from "../domain/device.ts";
import type { PatientFacts } from "../domain/facts.ts";
import { union } from "../domain/range.ts";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { TimeRange } from "../domain/time.ts";
import type { ReadUpload } from "../intake/use-record.ts";
import { readUseRecord } from "../intake/use-record.ts";
import { inTenant, type TenantSession } from "../store/database.ts";
import { findDevice } from "../store/device.ts";
import { queueReviews, queueUnmatchedReview } from "../store/facts.ts";
import { lockTextShared, mergingLock } from "../store/lock.ts";
import { readPatients, readPlans } from "../store/picture.ts";
import { lockDevice, storedRecords } from "../store/session.ts";
import { keepUpload, type RefusedRecord, settleUpload, type UploadStatus } from "../store/upload.ts";
import type { ArrivedUpload, KeptUpload } from "./kept-upload.ts";
import type { Service } from "./service.ts";
import { settleAlerts } from "./settle-alerts.ts";
import { type SettledRecords, settleRecords } from "./settle-records.ts";
import { storeSessions } from "./store-sessions.ts";
import { thresholdsNow } from "./tenant-thresholds.ts";

/** What became of an upload, record by record. */
export interface UploadReport {
  readonly uploadId: string;
  readonly status: UploadStatus;
  readonly deviceId?: string;
  /** How far the device's clock was ahead of the reader's, in seconds; absent when nobody noted it. */
  readonly clockDriftSeconds?: number;
  readonly received: number;
  readonly created: number;
  readonly unchanged: number;
  /** Records known already whose times were settled anew by an earlier reading. */
  readonly retimed: number;
  readonly refused: readonly {
    readonly at: string;
    readonly sessionId?: string;
    readonly refusals: readonly Refusal[];
  }[];
}

/** The identifier system of a serial number whose sender names none. */
export const defaultSerialSystem = "https://tidegate.example/fhir/sid/device-serial";

const maxInflatedBytes = 64 * 1024 * 1024;

/**
 * Takes in one upload: kept as received first and for good, then read, matched and stored in one transaction.
 * Hubs resend whenever the home network drops the reply, so the same upload counts once however often it comes.
 */
export async function recordUse(
  service: Service,
  tenantId: number,
  arrived: ArrivedUpload,
  limits: { maxBytes: number },
): Promise<Result<UploadReport>> {
  const sha256 = createHash("sha256").update(arrived.bytes).digest();
  const uploadId = `upload-${sha256.toString("hex").slice(0, 40)}`;
  // Committed on its own: whatever happens next, what arrived can be found and replayed.
  const { attempts, isErased } = await inTenant(service.database, tenantId, (session) =>
    keepUpload(session, { uploadId, nowMs: service.now(), ...arrived, sha256 }),
  );
  if (isErased) return refused(erasedContent);
  return processUpload(service, tenantId, { uploadId, ...arrived, limits, again: attempts > 1 });
}

/** Told to whoever sends the same bytes once more: they would bring an erased person back. */
const erasedContent: Refusal = {
  kind: "deleted",
  detail: "This upload was erased with the person it told about, and is not taken in again. Clear the device's memory.",
  status: 410,
};

/** Reads, matches and stores a kept upload, and notes on it what became of it. */
export async function processUpload(
  service: Service,
  tenantId: number,
  kept: KeptUpload,
): Promise<Result<UploadReport>> {
  const read = readUseRecord(kept.bytes, {
    contentType: kept.contentType,
    contentEncoding: kept.contentEncoding,
    limits: { maxBytes: kept.limits.maxBytes, maxInflatedBytes },
  });
  if (!read.ok) return refuseWhole(service, tenantId, kept, "unreadable", read.refusals);
  const upload = read.value;
  const readAt = kept.mending?.readAt ?? upload.envelope.readAt;
  const deviceClockAtReading = kept.mending?.deviceClockAtReading ?? upload.envelope.deviceClockAtReading;
  const correction = correctionOf({ readAt, ...(deviceClockAtReading === undefined ? {} : { deviceClockAtReading }) });
  if (!correction.ok) return refuseWhole(service, tenantId, kept, "wrong-clock", correction.refusals);
  const early = readingInFuture(service, correction.value);
  if (early !== undefined) return refuseWhole(service, tenantId, kept, "wrong-clock", [early]);
  return inTenant(service.database, tenantId, (session) =>
    matchAndStore(service, session, kept, upload, correction.value),
  );
}

const futureToleranceMs = 5 * 60_000;

function readingInFuture(service: Service, correction: ClockCorrection): Refusal | undefined {
  if (correction.readMs <= service.now() + futureToleranceMs) return undefined;
  return {
    kind: "value",
    detail: `readAt (${new Date(correction.readMs).toISOString()}) lies in the future of this service's clock. Set the clock of the reader and replay the upload with the right readAt.`,
    at: "readAt",
  };
}

async function refuseWhole(
  service: Service,
  tenantId: number,
  kept: KeptUpload,
  reason: string,
  refusals: readonly Refusal[],
): Promise<Result<UploadReport>> {
  await inTenant(service.database, tenantId, (session) =>
    settleUpload(session, kept.uploadId, { status: "refused", reason, report: { refusals }, refusedRecords: [] }),
  );
  return refused(
    ...refusals.map((refusal) => ({ ...refusal, detail: `${refusal.detail} (kept as ${kept.uploadId})` })),
  );
}

async function matchAndStore(
  service: Service,
  session: TenantSession,
  kept: KeptUpload,
  upload: ReadUpload,
  correction: ClockCorrection,
): Promise<Result<UploadReport>> {
  const { device } = upload.envelope;
  const identifier = `${device.system ?? defaultSerialSystem}|${device.serialNumber}`;
  // A merge moves who had the device: sessions that were stored beside it would stay with the retired record, where nobody looks.
  const [, found] = await Promise.all([lockTextShared(session, mergingLock), findDevice(session, identifier)]);
  if (found === undefined)
    return refuseUnknownDevice(session, kept, identifier, device.serialNumber, upload.sessions.length);
  await lockDevice(session, found.deviceId);
  const patients = await patientsOf(session, found.uses);
  const settled = await settle(service, session, upload, correction, { ...found, patients });
  const coverage = coverageOf(upload, correction, found.deviceId, kept.uploadId);
  const stored = await storeSessions(service, session, kept, {
    ...settled,
    coverage,
    alerts: settleAlerts(upload, kept.uploadId, {
      ...found,
      correction,
      zoneOf: (patientId) => patients.get(patientId)?.zone ?? service.defaultZone,
    }),
    correction,
    deviceId: found.deviceId,
    uses: found.uses,
  });
  queueReviews(session, stored.patients);
  const refusedRecords = [...settled.refused, ...coverage.refused].sort((a, b) => a.position - b.position);
  const reason = reasonOf(refusedRecords);
  const status = statusOf(upload, refusedRecords.length);
  const report: UploadReport = {
    uploadId: kept.uploadId,
    status,
    deviceId: found.deviceId,
    ...(correction.driftMs === undefined ? {} : { clockDriftSeconds: Math.round(correction.driftMs / 1000) }),
    received: upload.sessions.length + upload.refusedSessions.length,
    created: stored.created,
    unchanged: settled.unchanged + settled.fresh.length - stored.created,
    retimed: stored.retimed,
    refused: refusedRecords.map((record) => ({
      at: record.at,
      ...(record.sessionId === undefined ? {} : { sessionId: record.sessionId }),
      refusals: record.refusals,
    })),
  };
  await settleUpload(session, kept.uploadId, {
    status,
    ...(reason === undefined ? {} : { reason }),
    deviceIdentifier: identifier,
    deviceId: found.deviceId,
    report,
    refusedRecords,
  });
  if (reason === "device-with-nobody" || kept.again) queueUnmatchedReview(session, identifier);
  return accepted(report);
}

/** Why an upload's records wait, when mending something outside them would let them in. */
function reasonOf(records: readonly RefusedRecord[]): string | undefined {
  for (const kind of ["device-with-nobody", "wrong-clock", "contradiction", "invalid"]) {
    if (records.some((record) => record.kind === kind)) return kind;
  }
  return undefined;
}

function statusOf(upload: ReadUpload, refusedCount: number): UploadStatus {
  if (refusedCount === 0) return "accepted";
  return refusedCount >= upload.sessions.length + upload.refusedSessions.length ? "refused" : "partly-refused";
}

async function refuseUnknownDevice(
  session: TenantSession,
  kept: KeptUpload,
  identifier: string,
  serialNumber: string,
  sessionCount: number,
): Promise<Result<UploadReport>> {
  const refusal: Refusal = {
    kind: "not-found",
    detail: `No Device carries the serial number "${serialNumber}". Register the Device with this identifier, record who has it as a DeviceUseStatement, and replay ${kept.uploadId}.`,
    at: "device.serialNumber",
    status: 422,
  };
  await settleUpload(session, kept.uploadId, {
    status: "refused",
    reason: "unknown-device",
    deviceIdentifier: identifier,
    report: { refusals: [refusal], received: sessionCount },
    refusedRecords: [],
  });
  queueUnmatchedReview(session, identifier);
  return refused(refusal);
}

async function settle(
  service: Service,
  session: TenantSession,
  upload: ReadUpload,
  correction: ClockCorrection,
  found: {
    readonly deviceId: string;
    readonly uses: readonly DeviceUse[];
    readonly patients: ReadonlyMap<string, PatientFacts>;
  },
): Promise<SettledRecords> {
  const plans = await readPlans(session, [...new Set(found.uses.map((use) => use.patientId))]);
  const thresholds = await thresholdsNow(service, session);
  return settleRecords(
    upload,
    {
      deviceId: found.deviceId,
      uses: found.uses,
      correction,
      patients: found.patients,
      plans,
      dayParts: thresholds.dayParts,
      pressureShortfallShare: thresholds.pressureShortfallShare,
      defaultZone: service.defaultZone,
    },
    (sessionIds) => storedRecords(session, sessionIds),
  );
}

async function patientsOf(session: TenantSession, uses: readonly DeviceUse[]): Promise<Map<string, PatientFacts>> {
  const patients = await readPatients(session, [...new Set(uses.map((use) => use.patientId))]);
  return new Map(patients.map((one) => [one.patientId, one]));
}

/** The corrected coverage of an upload: nothing is vouched for after the reading, and a range that makes no sense is refused. */
function coverageOf(
  upload: ReadUpload,
  correction: ClockCorrection,
  deviceId: string,
  uploadId: string,
): { ranges: CoverageRange[]; refused: SettledRecords["refused"] } {
  const ranges: TimeRange[] = [];
  const refusedRanges: SettledRecords["refused"][number][] = [];
  (upload.envelope.coverage ?? []).forEach((range, i) => {
    const start = correctedMs(range.start, correction);
    const end = correctedMs(range.end, correction);
    const refusals = [...(start.ok ? [] : start.refusals), ...(end.ok ? [] : end.refusals)];
    if (start.ok && end.ok && start.value < Math.min(end.value, correction.readMs)) {
      ranges.push({ startMs: start.value, endMs: Math.min(end.value, correction.readMs) });
      return;
    }
    const detail =
      "A covered range must start before it ends and before the reading. Correct it and send the upload again.";
    refusedRanges.push({
      position: -1 - i,
      at: `coverage[${i}]`,
      kind: "invalid",
      refusals: refusals.length > 0 ? refusals : [{ kind: "value", detail, at: `coverage[${i}]` }],
      received: range,
    });
  });
  const merged = union(ranges).map((range) => ({ deviceId, uploadId, ...range }));
  return { ranges: merged, refused: refusedRanges };
}
