import { type ClockCorrection, correctedMs, correctionOf } from "../domain/clock-correction.ts";
import { type DeviceUse, useAt } from "../domain/device.ts";
import { intersect, timeOfUse } from "../domain/range.ts";
import { inflate } from "../intake/inflate.ts";
import { type ReadUpload, readUseRecord } from "../intake/use-record.ts";
import type { TenantSession } from "../store/database.ts";
import { identifiersOf, usesOf } from "../store/erasure-devices.ts";
import { readRefusedRecords, readUploadBytes, type UploadContent } from "../store/upload.ts";
import { uploadsOf, uploadsOfErased, uploadsOfNoDevice } from "../store/upload-content.ts";

/** An upload whose content must go. */
export interface ConcernedUpload {
  readonly uploadId: string;
  /** It tells of other people too; what was taken in of them stays in their resources. */
  readonly isShared: boolean;
  /** Positions of refused records that go with it. */
  readonly refusedPositions: readonly number[];
}

/** Whose time is whose on one device. */
interface Times {
  readonly own: readonly DeviceUse[];
  readonly others: readonly DeviceUse[];
}

// What was kept was within the limit when it came.
const limits = { maxBytes: Number.MAX_SAFE_INTEGER, maxInflatedBytes: 64 * 1024 * 1024 };

/**
 * Uploads that tell about the person, of all devices that the person had. A device's memory may hold the records of whoever
 * had it before or after, so records are told apart by their times: what does not lie in the time of somebody else counts as the
 * person's. `words` are looked for in uploads that nobody could read.
 */
export async function uploadsConcerning(
  session: TenantSession,
  person: { readonly patientId: string; readonly deviceIds: readonly string[]; readonly words: readonly string[] },
): Promise<ConcernedUpload[]> {
  const uses = await usesOf(session, person.deviceIds);
  const stored = new Set(await uploadsOfErased(session));
  const identifiers = await identifiersOf(session, person.deviceIds);
  const found = await uploadsOf(session, { deviceIds: person.deviceIds, identifiers, uploadIds: [...stored] });
  const concerned: ConcernedUpload[] = [];
  for (const { uploadId, deviceId } of found) {
    const ofDevice = deviceId === null ? uses : uses.filter((use) => use.deviceId === deviceId);
    const times = {
      own: ofDevice.filter((use) => use.patientId === person.patientId),
      others: ofDevice.filter((use) => use.patientId !== person.patientId),
    };
    const one = await concernedIn(session, uploadId, times, stored.has(uploadId));
    if (one !== undefined) concerned.push(one);
  }
  const serials = identifiers.flatMap((one) => one.split("|").at(-1) ?? []);
  return [...concerned, ...(await unreadableNaming(session, [...person.words, ...serials]))];
}

async function concernedIn(
  session: TenantSession,
  uploadId: string,
  times: Times,
  isStored: boolean,
): Promise<ConcernedUpload | undefined> {
  const refused = await readRefusedRecords(session, uploadId);
  const whole = { uploadId, isShared: false, refusedPositions: refused.map(({ position }) => position) };
  if (times.others.length === 0) return whole;
  const content = await readUploadBytes(session, uploadId);
  const told = content && toldIn(content);
  if (told === undefined) return whole;
  const isOthers = (deviceTime: string) => {
    const at = correctedMs(deviceTime, told.correction);
    return at.ok && useAt(times.others, at.value) !== undefined;
  };
  const records = recordTimes(told.upload);
  const anyOthers = records.some(isOthers);
  if (!isStored && records.every(isOthers) && !coversOwn(told, times.own)) return undefined;
  if (!anyOthers) return whole;
  const gone = refused.filter(
    ({ received }) => !isOthers(String((received as { start?: unknown } | null)?.start ?? "")),
  );
  return { uploadId, isShared: true, refusedPositions: gone.map(({ position }) => position) };
}

interface Told {
  readonly upload: ReadUpload;
  readonly correction: ClockCorrection;
}

function toldIn(content: UploadContent): Told | undefined {
  const read = readUseRecord(content.bytes, { ...content, limits });
  if (!read.ok) return undefined;
  const { readAt, deviceClockAtReading } = read.value.envelope;
  const correction = correctionOf({ readAt, deviceClockAtReading });
  return correction.ok ? { upload: read.value, correction: correction.value } : undefined;
}

/** The device's own times of all records; a record that was refused for its shape may have none, and is then nobody's. */
function recordTimes({ envelope, sessions, refusedSessions }: ReadUpload): string[] {
  return [
    ...sessions.map(({ record }) => record.start),
    ...refusedSessions.map(({ received }) => String((received as { start?: unknown } | null)?.start ?? "")),
    ...(envelope.alerts ?? []).map(({ at }) => at),
  ];
}

/** Whether the upload vouches for a time in which the person had the device: that nothing was recorded tells something too. */
function coversOwn({ upload, correction }: Told, own: readonly DeviceUse[]): boolean {
  const ranges = (upload.envelope.coverage ?? []).flatMap(({ start, end }) => {
    const [from, until] = [correctedMs(start, correction), correctedMs(end, correction)];
    return from.ok && until.ok ? [{ startMs: from.value, endMs: until.value }] : [];
  });
  return intersect(ranges, own.map(timeOfUse)).length > 0;
}

/** Uploads of no known device whose text names the person or one of the person's devices. */
async function unreadableNaming(session: TenantSession, words: readonly string[]): Promise<ConcernedUpload[]> {
  const wanted = words.filter((word) => word.length >= 3).map((word) => word.toLowerCase());
  const found: ConcernedUpload[] = [];
  for (const uploadId of await uploadsOfNoDevice(session)) {
    const content = await readUploadBytes(session, uploadId);
    const text = content === undefined ? "" : textOf(content.bytes).toLowerCase();
    if (wanted.some((word) => text.includes(word))) found.push({ uploadId, isShared: false, refusedPositions: [] });
  }
  return found;
}

function textOf(bytes: Buffer): string {
  const isGzip = bytes[0] === 0x1f && bytes[1] === 0x8b;
  const plain = isGzip ? inflate(bytes, limits.maxInflatedBytes) : undefined;
  return Buffer.from(plain?.ok === true ? plain.value : bytes).toString("utf8");
}
