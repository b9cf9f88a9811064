import { afterAll, beforeAll, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { jobsOf } from "../../src/flows/jobs.ts";
import { bodyOf, readFrozen, readRelease, requestRelease } from "../../src/flows/release.ts";
import { startWorker } from "../../src/store/worker.ts";
import { ada } from "../support/made-up-figures.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { personWithCircuit } from "./person-with-circuit.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-08-10T12:00:00Z");
  // Eleven at one place, eight at another, two at a third.
  for (const [organizationId, people] of Object.entries({ harbour: 11, hill: 8, moor: 2 })) {
    await put(here, { resourceType: "Organization", id: organizationId, name: organizationId } as never);
    for (let i = 1; i <= people; i += 1) {
      const id = `${organizationId}-${i}`;
      await personWithCircuit(here, id, "2026-03-01");
      await put(here, patientResource({ id, family: "Oak", given: "Anna", birthDate: "1980-01-01", organizationId }));
    }
  }
}, 60_000);

afterAll(() => here.close());

test("the worker makes a release of the tenant's own records, and nothing stands in it but what may be shown", async () => {
  const { service, tenantId } = here;
  const asked = await requestRelease(service, tenantId, { period: "2026-Q2", policy: "hes", by: ada });
  if (!asked.ok) throw new Error(JSON.stringify(asked.refusals));
  const { number } = asked.value.release;
  const state = async () => {
    const read = await readRelease(service, tenantId, number, "all");
    return read.ok ? read.value : undefined;
  };
  const worker = await startWorker(here.connectionString, jobsOf(service), {
    concurrency: 2,
    timetable: "",
    onLog: () => undefined,
  });
  try {
    await expect.poll(async () => (await state())?.state, { timeout: 100_000, interval: 500 }).not.toBe("computing");
  } finally {
    await worker.stop();
  }
  expect(await state()).toMatchObject({ state: "drafted", progress: { done: 21, total: 21 } });
  const frozen = await readFrozen(service, tenantId, number, "all");
  if (!frozen.ok) throw new Error(JSON.stringify(frozen.refusals));
  const { tables, figures } = bodyOf(frozen.value);
  const countsOf = (code: string) => {
    const rows = tables.find(({ figure, dimensions }) => figure === code && dimensions.length === 1)?.rows ?? [];
    return Object.fromEntries(rows.map(({ at, count }) => [at.place, count]));
  };
  // HES: 8 to 12 are shown as 10, 18 to 22 as 20, 0 as 0, and 1 to 7 not at all (NHS Digital, change to disclosure control methodology for HES and ECDS).
  const places = { "Organization/harbour": 10, "Organization/hill": 10, "Organization/moor": null, unknown: 0 };
  expect(countsOf("people-on-therapy")).toEqual({ all: 20, ...places });
  expect(countsOf("new-starts").all).toBe(0);
  expect(figures.length).toBeGreaterThan(10);
  const counts = tables.flatMap(({ rows }) => rows.flatMap(({ count }) => count ?? []));
  expect(counts.filter((count) => count % 5 !== 0 || count === 5)).toEqual([]);
}, 120_000);
