import type { ArrivedUpload } from "../../src/flows/kept-upload.ts";

const dayMs = 86_400_000;

/** What a bench sends: patients, days of two sessions, and how many days each upload reads out. */
export interface UploadSize {
  readonly patients: number;
  readonly days: number;
  readonly daysEach: number;
}

/** An upload, and how many sessions it brings. */
export type BenchUpload = ArrivedUpload & { readonly bytes: Buffer; readonly sessions: number };

/** One upload per patient and reading, two sessions a day, all values drawn from a fixed arithmetic sequence. */
export function uploadsOf(size: UploadSize): BenchUpload[] {
  const lastDay = Date.now() - 2 * dayMs;
  const firstDay = lastDay - size.days * dayMs;
  const uploads: BenchUpload[] = [];
  for (let fromDay = 0; fromDay < size.days; fromDay += size.daysEach) {
    for (let patient = 0; patient < size.patients; patient += 1) {
      const days = Array.from({ length: Math.min(size.daysEach, size.days - fromDay) }, (_, i) => fromDay + i);
      const sessions = days.flatMap((day) =>
        [8, 19].map((hour) =>
          session(patient, firstDay + day * dayMs + hour * 3_600_000, day * 2 + (hour > 12 ? 1 : 0)),
        ),
      );
      const start = firstDay + fromDay * dayMs;
      const end = start + days.length * dayMs;
      const text = JSON.stringify({
        format: "tidegate-use-record",
        version: 1,
        device: { serialNumber: `BENCH-${patient}` },
        readAt: new Date(end).toISOString(),
        coverage: [{ start: new Date(start).toISOString(), end: new Date(end).toISOString() }],
        sessions,
      });
      uploads.push({
        bytes: Buffer.from(text),
        contentType: "application/json",
        contentEncoding: "identity",
        sessions: sessions.length,
      });
    }
  }
  return uploads;
}

function session(patient: number, startMs: number, sequenceNumber: number): Record<string, unknown> {
  const jitter = (patient * 31 + sequenceNumber * 17) % 23;
  const start = Math.floor(startMs / dayMs) * dayMs + (startMs % dayMs) + jitter * 60_000;
  return {
    sequenceNumber,
    start: new Date(start).toISOString(),
    end: new Date(start + (8 + (jitter % 9)) * 60_000).toISOString(),
    profileSlot: "A",
    triggerMode: "automatic-timed",
    cyclesDelivered: 20 + jitter,
    cyclesTriggered: jitter,
    setInsufflationPressureCmH2O: 35,
    setExsufflationPressureCmH2O: -40,
    setInsufflationSeconds: 1.5,
    setExsufflationSeconds: 1.8,
    setPauseSeconds: 1.5,
    achievedInsufflationPressureCmH2O: { median: 33 + jitter / 10, p5: 30, p95: 36 },
    achievedExsufflationPressureCmH2O: { median: -37 - jitter / 10, p5: -41, p95: -33 },
    insufflatedVolumeMillilitres: 1200 + jitter * 10,
    peakCoughFlowLitresPerMinute: 220 + jitter,
    leakLitresPerMinute: 12,
    lowestSpo2Percent: 93,
    meanSpo2Percent: 96,
    pulsePerMinute: 82,
    stopReason: "completed",
  };
}
