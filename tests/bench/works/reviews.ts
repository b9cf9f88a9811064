import { reviewPatient, reviewPatients } from "../../../src/flows/review-patient.ts";
import type { Service } from "../../../src/flows/service.ts";
import { readInTenant } from "../../../src/store/database.ts";
import { compare, type Row } from "../compare.ts";
import type { Workbench } from "../workbench.ts";

const together = 100;

/**
 * Reviews in this process. `service` has the clock of the records. The first reviews of everybody raise their Tasks and are not
 * counted; what is measured is the state that lasts.
 */
export async function measureReviews(bench: Workbench, service: Service): Promise<Row[]> {
  const people = await everybody(bench, service);
  const batches = Array.from({ length: Math.ceil(people.length / together) }, (_, i) =>
    people.slice(i * together, (i + 1) * together),
  );
  for (const batch of batches) await reviewPatients(service, bench.tenantId, batch);
  return [
    await compare(bench.admin, bench.effort, {
      work: "review of one patient",
      unit: "patients",
      clients: 4,
      async ours(n) {
        await reviewPatient(service, bench.tenantId, people[(n * 7_919) % people.length] ?? "");
        return 1;
      },
      goal: { perSecondAtLeast: 500 },
    }),
    await compare(bench.admin, bench.effort, {
      work: `nightly reviews, ${together} patients a job`,
      unit: "patients",
      clients: 2,
      async ours(n) {
        const batch = batches[n % batches.length] ?? [];
        await reviewPatients(service, bench.tenantId, batch);
        return batch.length;
      },
      goal: { perSecondAtLeast: 1_000 },
    }),
  ];
}

async function everybody(bench: Workbench, service: Service): Promise<string[]> {
  const rows = await readInTenant(service.database, bench.tenantId, (session) =>
    session.query<{ id: string }>("select patient_id as id from patient where tenant_id = $1 order by 1", [
      bench.tenantId,
    ]),
  );
  return rows.map(({ id }) => id);
}
