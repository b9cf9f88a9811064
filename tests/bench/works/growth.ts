import { reviewPatient } from "../../../src/flows/review-patient.ts";
import { inTenant } from "../../../src/store/database.ts";
import { compare, type Row } from "../compare.ts";
import { fillObservations } from "../observations.ts";
import { uploadsOf } from "../uploads.ts";
import { settle, type Workbench } from "../workbench.ts";
import { measureSearch } from "./reads.ts";

/** The same works at one size of the tenant. */
export interface Stage {
  readonly observations: number;
  readonly uploadSessionsPerSecond: number;
  readonly searchMedianMs: number;
  readonly reviewsPerSecond: number;
}

/** Patients whose records grow; others receive what is uploaded meanwhile. */
const uploadsAStage = 20;

/**
 * Fills the tenant stage by stage with session Observations and their facts, and measures what must not grow with it: an
 * upload, a patient's search, a patient's review. Leaves the tenant as the last stage made it.
 */
export async function measureGrowth(
  bench: Workbench,
  size: { stages: readonly number[]; patients: number },
  onProgress: (text: string) => void,
): Promise<Stage[]> {
  const { service, tenantId, database } = bench;
  const all = uploadsOf({ patients: size.patients, days: 90, daysEach: 90 });
  const found: Stage[] = [];
  let there = 0;
  for (const [i, observations] of size.stages.entries()) {
    onProgress(`filling up to ${observations} Observations`);
    const from = there;
    await inTenant(database, tenantId, (session) =>
      fillObservations(service, session, observations - from, size.patients, from),
    );
    there = observations;
    await settle(bench.admin);
    const uploads = all.slice(i * uploadsAStage, (i + 1) * uploadsAStage);
    const rows: Row[] = [await uploadSome(bench, uploads), await measureSearch(bench, size.patients)];
    rows.push(await reviewSome(bench, size.patients));
    found.push({
      observations,
      uploadSessionsPerSecond: rows[0]?.ours ?? Number.NaN,
      searchMedianMs: rows[1]?.medianMs ?? Number.NaN,
      reviewsPerSecond: rows[2]?.ours ?? Number.NaN,
    });
  }
  return found;
}

function uploadSome(bench: Workbench, uploads: ReturnType<typeof uploadsOf>): Promise<Row> {
  return compare(
    bench.admin,
    { ...bench.effort, sliceMs: Number.POSITIVE_INFINITY },
    {
      work: "upload",
      unit: "sessions",
      clients: 4,
      most: uploads.length,
      async ours(n) {
        const text = await bench.served.send("POST", "/api/v1/use-records", uploads[n]?.bytes, "application/json");
        return (JSON.parse(text) as { created: number }).created;
      },
      goal: { perSecondAtLeast: 0 },
    },
  );
}

/** As of a day on which everybody's newest records lie within the window. */
function reviewSome(bench: Workbench, patients: number): Promise<Row> {
  return compare(bench.admin, bench.effort, {
    work: "review",
    unit: "patients",
    clients: 4,
    async ours(n) {
      await reviewPatient(bench.service, bench.tenantId, `p${(n * 7_919) % patients}`);
      return 1;
    },
    goal: { perSecondAtLeast: 500 },
  });
}
