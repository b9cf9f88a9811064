import { compare, type Row } from "../compare.ts";
import { observation } from "../observations.ts";
import { registerPatients } from "../patients.ts";
import { makeTwins } from "../twins.ts";
import { uploadsOf } from "../uploads.ts";
import type { Workbench } from "../workbench.ts";

const [daysEach, bundled] = [90, 50];

/** Everything that comes in, beside multi-row inserts of the very rows that it leaves. */
export async function measureWrites(bench: Workbench, size: { patients: number }): Promise<Row[]> {
  await registerPatients(bench.service, bench.tenantId, size.patients);
  const made = await bench.served.send("GET", "/fhir/Patient?_summary=count");
  if (!made.includes(`"total":${size.patients}`)) throw new Error(made);
  const rows = [await uploads(bench, size.patients)];
  rows.push(await bundles(bench, size.patients));
  for (const clients of [8, 32]) rows.push(await creates(bench, size.patients, clients));
  return rows;
}

async function uploads(bench: Workbench, patients: number): Promise<Row> {
  const everybody = uploadsOf({ patients, days: daysEach, daysEach });
  const all = everybody.slice(Math.ceil(patients / 10));
  // What runs for the first time is compiled meanwhile.
  for (const { bytes } of everybody.slice(0, -all.length))
    await bench.served.send("POST", "/api/v1/use-records", bytes, "application/json");
  const twins = await makeTwins(bench.admin, bench.rawPool, {
    tenantId: bench.tenantId,
    perStatement: 100,
    counted: "therapy_session",
  });
  return compare(bench.admin, bench.effort, {
    work: `use-record upload of ${daysEach * 2} sessions`,
    unit: "sessions",
    clients: 4,
    most: all.length,
    async ours(n) {
      const upload = all[n];
      if (upload === undefined) return 0;
      const text = await bench.served.send("POST", "/api/v1/use-records", upload.bytes, "application/json");
      const { created } = JSON.parse(text) as { created: number };
      if (created !== upload.sessions) throw new Error(text);
      return created;
    },
    prepareRaw: twins.takeNew,
    raw: twins.write,
    goal: { rateAtLeast: 0.4 },
  });
}

async function bundles(bench: Workbench, patients: number): Promise<Row> {
  const twins = await makeTwins(bench.admin, bench.rawPool, {
    tenantId: bench.tenantId,
    perStatement: bundled,
    counted: "resource",
  });
  return compare(bench.admin, bench.effort, {
    work: `FHIR transaction of ${bundled} session Observations`,
    unit: "Observations",
    clients: 4,
    async ours(n) {
      const entry = Array.from({ length: bundled }, (_, i) => ({
        resource: observation(n * bundled + i, patients),
        request: { method: "POST", url: "Observation" },
      }));
      await bench.served.send("POST", "/fhir", JSON.stringify({ resourceType: "Bundle", type: "transaction", entry }));
      return bundled;
    },
    prepareRaw: twins.takeNew,
    raw: twins.write,
    goal: { rateAtLeast: 0.35 },
  });
}

async function creates(bench: Workbench, patients: number, clients: number): Promise<Row> {
  const twins = await makeTwins(bench.admin, bench.rawPool, {
    tenantId: bench.tenantId,
    perStatement: 1,
    counted: "resource",
  });
  return compare(bench.admin, bench.effort, {
    work: `FHIR create, ${clients} clients`,
    unit: "Observations",
    clients,
    async ours(n) {
      await bench.served.send("POST", "/fhir/Observation", JSON.stringify(observation(n, patients)));
      return 1;
    },
    prepareRaw: twins.takeNew,
    raw: twins.write,
    goal: { rateAtLeast: 0.5 },
  });
}
