import { migrate } from "../../../src/store/migrate.ts";
import type { Row } from "../compare.ts";
import { measureExport } from "../export.ts";
import { measureRebuild } from "../rebuild.ts";
import { measureStartUp } from "../start-up.ts";
import { measureValidation } from "../validation.ts";

/** One figure beside what it may be at most. */
export interface Mark {
  readonly what: string;
  readonly found: number;
  readonly atMost: number;
  readonly unit: string;
}

/** What is measured on an empty database of its own. `starts` takes a minute more. */
export async function measureAlone(
  emptyDatabase: () => Promise<string>,
  size: { readonly exported: number; readonly starts: boolean },
): Promise<{ rows: Row[]; marks: Mark[] }> {
  const migrated = async () => {
    const url = await emptyDatabase();
    await migrate(url);
    return url;
  };
  const exported = await measureExport(await migrated(), size.exported);
  const { lost } = await measureRebuild(await migrated());
  const { check } = await measureValidation();
  const marks: Mark[] = [{ what: "checking a session Observation", found: check, atMost: 0.1, unit: "ms" }];
  if (size.starts) {
    const { running } = await measureStartUp();
    marks.push(
      { what: "start to the first answer, database migrated", found: running.metadataMs, atMost: 1_500, unit: "ms" },
      { what: "resident memory at rest", found: running.restMiB, atMost: 250, unit: "MiB" },
    );
  }
  const work = `bulk export of ${exported.rows.toLocaleString("en-GB")} Observations`;
  return {
    rows: [
      rowOf(work, "kB", exported.ours / 1_000, exported.raw / 1_000, 0.5),
      rowOf("rebuild where all derived rows were lost", "resources", lost.rebuiltASecond, lost.plainASecond, 0.2),
    ],
    marks,
  };
}

function rowOf(work: string, unit: string, ours: number, raw: number, rateAtLeast: number): Row {
  const unknown = Number.NaN;
  return {
    ...{ work, unit, ours: Math.round(ours), raw: Math.round(raw) },
    ...{ medianMs: unknown, p99Ms: unknown, rawMedianMs: unknown },
    ratio: Number((ours / raw).toFixed(2)),
    ...{ goal: `≥ ${rateAtLeast * 100} % of raw`, met: ours / raw >= rateAtLeast },
    ...{ statements: unknown, walBytes: 0, rawWalBytes: 0 },
  };
}
