import { writeRegion } from "../support/region.ts";
import type { Row } from "./compare.ts";
import { registerPatients } from "./patients.ts";
import { settle, type Workbench } from "./workbench.ts";
import { type Mark, measureAlone } from "./works/alone.ts";
import { measureFigures } from "./works/figures.ts";
import { measureGrowth, type Stage } from "./works/growth.ts";
import { measureCaseload, measureReads } from "./works/reads.ts";
import { measureReviews } from "./works/reviews.ts";
import { type DiskUse, diskUse } from "./works/size.ts";
import { measureWrites } from "./works/writes.ts";

/** How much of everything. */
export interface Size {
  /** Patients who upload 180 sessions each. */
  readonly uploading: number;
  /** Session Observations that the tenant has, stage by stage. */
  readonly stages: readonly number[];
  /** Patients whom those belong to. */
  readonly patients: number;
  /** People and days of the region for caseload, reviews and figures. */
  readonly region: { readonly people: number; readonly firstDay: string; readonly period: string };
  /** What is measured on databases of their own. */
  readonly alone: { readonly exported: number; readonly starts: boolean };
}

export const sizes: Readonly<Record<"small" | "full", Size>> = {
  small: {
    uploading: 60,
    stages: [2_000, 20_000],
    patients: 50,
    region: { people: 1_000, firstDay: "2025-12-01", period: "2025-12" },
    alone: { exported: 20_000, starts: false },
  },
  full: {
    uploading: 1_000,
    stages: [10_000, 100_000, 1_000_000],
    patients: 250,
    region: { people: 10_000, firstDay: "2025-01-01", period: "2025" },
    alone: { exported: 200_000, starts: true },
  },
};

/** Everything that was found. */
export interface Found {
  readonly rows: readonly Row[];
  readonly growth: readonly Stage[];
  readonly disk: DiskUse;
  readonly marks: readonly Mark[];
  readonly peakMiB: { readonly service: number; readonly bench: number };
}

const regionEnd = "2026-01-01";

/** Measures the service on one database, from empty to full: first what comes in, then what is asked. */
export async function measureEverything(
  bench: Workbench,
  emptyDatabase: () => Promise<string>,
  size: Size,
  onProgress: (text: string) => void,
): Promise<Found> {
  onProgress("writes");
  const rows = await measureWrites(bench, { patients: size.uploading });
  const disk = await diskUse(bench.admin);
  for (const table of ["resource", "therapy_session"]) await bench.admin.query(`drop table if exists raw_${table}`);
  await registerPatients(bench.service, bench.tenantId, size.patients);
  const growth = await measureGrowth(bench, size, onProgress);
  onProgress("reads");
  rows.push(...(await measureReads(bench, size.patients)));
  onProgress(`a region of ${size.region.people} people`);
  const { people, firstDay, period } = size.region;
  const region = { tenantId: bench.tenantId, people, sites: 40, firstDay, endDay: regionEnd, seed: "bench" };
  await writeRegion(bench.url, region);
  await settle(bench.admin);
  const then = { ...bench.service, now: () => Date.parse("2026-01-02T12:00:00Z") };
  onProgress("reviews");
  rows.push(...(await measureReviews(bench, then)), await measureCaseload(bench));
  onProgress("figures");
  rows.push(await measureFigures(bench, then, period));
  const memory = await bench.served.memory();
  onProgress("what has a database of its own");
  const alone = await measureAlone(emptyDatabase, size.alone);
  return {
    rows: [...rows, ...alone.rows],
    growth,
    disk,
    marks: alone.marks,
    peakMiB: {
      service: Math.round(memory.most / 1_048_576),
      bench: Math.round(process.resourceUsage().maxRSS / 1_024),
    },
  };
}
