import type { DocumentReference, Extension } from "@medplum/fhirtypes";
import type { CoverageRange } from "../domain/device.ts";
import type { Fact } from "../domain/facts.ts";
import { union } from "../domain/range.ts";
import type { TimeRange } from "../domain/time.ts";
import { ucumSystem } from "./search/ucum.ts";
import { idOf, instantOf } from "./session.ts";
import { canonical, extensionUrl, identifierSystems } from "./terminology/canonical.ts";
import { valueInUnit } from "./unit.ts";

const coverageUrl = extensionUrl("covered-time");
const readAtUrl = extensionUrl("memory-read-at");
const driftUrl = extensionUrl("device-clock-drift");

/**
 * An upload as a document: where its bytes are, their hashes, the device, the times it vouches for, when the memory was
 * read, and how far the device's clock was ahead then (negative: behind), as far as somebody noted it.
 */
export function uploadDocument(upload: {
  id: string;
  patientId?: string;
  deviceId: string;
  receivedIso: string;
  contentType: string;
  size: number;
  sha1Base64: string;
  sha256Hex: string;
  url: string;
  coverage: readonly CoverageRange[];
  readIso?: string;
  driftMs?: number;
}): DocumentReference & { id: string } {
  const covered = upload.coverage.map((range) => ({
    url: coverageUrl,
    valuePeriod: { start: new Date(range.startMs).toISOString(), end: new Date(range.endMs).toISOString() },
  }));
  const extension: Extension[] = [...covered, ...readingOf(upload.readIso, upload.driftMs)];
  return {
    resourceType: "DocumentReference",
    id: upload.id,
    ...(extension.length === 0 ? {} : { extension }),
    identifier: [{ system: identifierSystems.upload, value: upload.sha256Hex }],
    status: "current",
    type: {
      coding: [
        { system: canonical("CodeSystem", "document-kind"), code: "use-record-upload", display: "Use-record upload" },
      ],
    },
    ...(upload.patientId === undefined ? {} : { subject: { reference: `Patient/${upload.patientId}` } }),
    date: upload.receivedIso,
    content: [
      { attachment: { contentType: upload.contentType, url: upload.url, size: upload.size, hash: upload.sha1Base64 } },
    ],
    context: { related: [{ reference: `Device/${upload.deviceId}` }] },
  };
}

function readingOf(readIso: string | undefined, driftMs: number | undefined): Extension[] {
  const readAt = readIso === undefined ? [] : [{ url: readAtUrl, valueInstant: readIso }];
  if (driftMs === undefined) return readAt;
  const valueQuantity = { value: driftMs / 1000, unit: "s", system: ucumSystem, code: "s" };
  return [...readAt, { url: driftUrl, valueQuantity }];
}

/** The times that an upload's document vouches for; other documents state nothing here. */
export function coverageOf(document: DocumentReference): Fact[] {
  const deviceId = deviceOf(document);
  if (deviceId === undefined || document.status === "entered-in-error") return [];
  const coverage = (document.extension ?? []).flatMap((one): TimeRange[] => {
    const startMs = Date.parse(one.valuePeriod?.start ?? "");
    const endMs = Date.parse(one.valuePeriod?.end ?? "");
    if (one.url !== coverageUrl || !(startMs < endMs)) return [];
    return [{ startMs, endMs }];
  });
  const merged = union(coverage).map((range) => ({ deviceId, uploadId: document.id ?? "", ...range }));
  return merged.length === 0 ? [] : [{ kind: "coverage", coverage: merged }];
}

/** The reading of the device's clock that an upload's document notes; empty when it notes none, or not when it was. */
export function clockCheckOf(document: DocumentReference): Fact[] {
  const deviceId = deviceOf(document);
  if (deviceId === undefined || document.status === "entered-in-error") return [];
  const noted = (url: string) => document.extension?.find((one) => one.url === url);
  const readMs = instantOf(noted(readAtUrl)?.valueInstant);
  const seconds = valueInUnit(noted(driftUrl)?.valueQuantity, "s");
  if (Number.isNaN(readMs) || seconds === undefined) return [];
  const check = { uploadId: document.id ?? "", deviceId, readMs, driftMs: Math.round(seconds * 1000) };
  return [{ kind: "clock-check", check }];
}

function deviceOf(document: DocumentReference): string | undefined {
  return document.context?.related?.map((one) => idOf(one.reference, "Device")).find((id) => id !== undefined);
}
