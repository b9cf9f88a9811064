import type { DocumentReference } from "@medplum/fhirtypes";
import type { CoverageRange } from "../domain/device.ts";
import type { Fact } from "../domain/facts.ts";
import { union } from "../domain/range.ts";
import type { TimeRange } from "../domain/time.ts";
import { idOf } from "./session.ts";
import { canonical, extensionUrl, identifierSystems } from "./terminology/canonical.ts";

const coverageUrl = extensionUrl("covered-time");

/** An upload as a document: where its bytes are, their hashes, the device, and the times it vouches for. */
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
}): DocumentReference & { id: string } {
  const extension = upload.coverage.map((range) => ({
    url: coverageUrl,
    valuePeriod: { start: new Date(range.startMs).toISOString(), end: new Date(range.endMs).toISOString() },
  }));
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

/** The times that an upload's document vouches for; other documents state nothing here. */
export function coverageOf(document: DocumentReference): Fact[] {
  const deviceId = document.context?.related
    ?.map((one) => idOf(one.reference, "Device"))
    .find((id) => id !== undefined);
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
