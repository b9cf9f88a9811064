import { setTimeout as sleep } from "node:timers/promises";
import { daysBetween } from "../../src/domain/local-day.ts";
import type { Period, PopulationFigures } from "../../src/domain/population/figures.ts";
import { periodOf } from "../../src/domain/population/period.ts";
import { makeRelease, releaseWorks } from "../../src/flows/make-release.ts";
import { populationFigures } from "../../src/flows/population.ts";
import { readRelease, requestRelease } from "../../src/flows/release.ts";
import type { Service } from "../../src/flows/service.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { openDatabase, readInTenant, type TenantSession } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { regionOrganizations, writeRegion } from "../support/region.ts";
import { benchService } from "./service.ts";

const sites = 40;
const lastMonth = "2025-12";

/** The rows of the facts that figures are made from, as they are; `$2` to `$4` say whose and of which time. */
const rawReads = [
  "select * from patient where tenant_id = $1 and patient_id > $2 and patient_id <= $3",
  "select * from patient_fact where tenant_id = $1 and patient_id > $2 and patient_id <= $3",
  "select * from device_use where tenant_id = $1 and patient_id > $2 and patient_id <= $3",
  `select c.* from device_use u join coverage c on c.tenant_id = $1 and c.device_id = u.device_id and c.ended_at >= $4 and c.started_at < $5
   where u.tenant_id = $1 and u.patient_id > $2 and u.patient_id <= $3`,
  "select * from therapy_session where tenant_id = $1 and patient_id > $2 and patient_id <= $3 and started_at >= $4 and started_at < $5",
];

/**
 * Fills a tenant with a region of so many people and so many months of facts, 1 or 12, and measures the figures of a month and
 * of a year beside a read of the same rows by plain SQL that makes nothing of them: time, and the most memory in between. Then
 * makes a release of the month, from asking to a draft that has passed its audit.
 */
export async function measurePopulation(
  connectionString: string,
  people: number,
  months: 1 | 12,
): Promise<{ readonly figures: object[]; readonly release: object }> {
  const database = openDatabase(connectionString, { statementTimeoutMs: 0 });
  try {
    const service = { ...benchService(database), now: () => Date.parse("2026-01-02T12:00:00Z") };
    const { tenantId } = await ensureTenant(database, "population");
    await putOrganizations(service, tenantId);
    const firstDay = months === 12 ? "2025-01-01" : `${lastMonth}-01`;
    const region = { tenantId, people, sites, firstDay, endDay: "2026-01-01", seed: "bench" };
    await writeRegion(connectionString, region);
    const rows: object[] = [];
    for (const code of months === 12 ? [lastMonth, "2025"] : [lastMonth]) {
      const period = periodOf(code);
      if (period === undefined) throw new Error(`${code} is no period`);
      const { raw, computed } = await bothReads(service, tenantId, period);
      rows.push({
        period: code,
        people,
        rows: raw.answer,
        "on therapy": onTherapy(computed.answer),
        "raw read s": seconds(raw.ms),
        "figures s": seconds(computed.ms),
        ratio: Number((computed.ms / raw.ms).toFixed(2)),
        "people / s": Math.round(people / (computed.ms / 1000)),
        "raw MB": megabytes(raw.mostBytes),
        "figures MB": megabytes(computed.mostBytes),
      });
    }
    return { figures: rows, release: await released(service, tenantId) };
  } finally {
    await database.close();
  }
}

/** The figures of a period and the raw read of their facts, one after the other. */
export async function compareFigures(
  service: Service,
  tenantId: number,
  period: Period,
): Promise<{ people: number; rawMs: number; figuresMs: number }> {
  const { raw, computed } = await bothReads(service, tenantId, period);
  return { people: onTherapy(computed.answer) ?? 0, rawMs: raw.ms, figuresMs: computed.ms };
}

async function bothReads(service: Service, tenantId: number, period: Period) {
  // The first read finds cold pages, whoever does it; what is compared is the second.
  await readRaw(service, tenantId, period);
  const raw = await watched(() => readRaw(service, tenantId, period));
  const computed = await watched(() => populationFigures(service, tenantId, period, () => undefined));
  return { raw, computed };
}

/** A release of the last month under the policy `hes`, as the job makes it. */
async function released(service: Service, tenantId: number): Promise<object> {
  const by = { clientId: "bench", name: "Bench" };
  const asked = await requestRelease(service, tenantId, { period: lastMonth, policy: "hes", by });
  if (!asked.ok) throw new Error(JSON.stringify(asked.refusals));
  const { number } = asked.value.release;
  const made = await watched(() => makeRelease(service, releaseWorks, tenantId, number));
  const read = await readRelease(service, tenantId, number, "all");
  if (!read.ok) throw new Error(JSON.stringify(read.refusals));
  const { state, reason, audit } = read.value;
  return {
    period: lastMonth,
    state,
    ...(reason === undefined ? {} : { reason }),
    ...(JSON.parse(audit ?? "{}") as object),
    "release s": seconds(made.ms),
    "release MB": megabytes(made.mostBytes),
  };
}

async function putOrganizations(service: Service, tenantId: number): Promise<void> {
  for (const resource of regionOrganizations(sites)) {
    const target = { type: resource.resourceType, id: resource.id };
    const written = await updateResource(service, tenantId, target, JSON.stringify(resource));
    if (!written.ok) throw new Error(JSON.stringify(written.refusals));
  }
}

/** Reads in pages of people, as a program would that has to keep its memory flat; answers the number of rows. */
function readRaw(service: Service, tenantId: number, { firstDay, endDay }: Period): Promise<number> {
  return readInTenant(service.database, tenantId, async (session) => {
    let [rows, after] = [0, ""];
    const next = () => pageEnd(session, after, pageOf(firstDay, endDay));
    for (let last = await next(); last !== undefined; last = await next()) {
      for (const statement of rawReads) {
        const values = [tenantId, after, last, `${firstDay}T00:00:00Z`, `${endDay}T04:00:00Z`];
        const used = values.slice(0, statement.includes("$4") ? 5 : 3);
        rows += (await session.query(statement, used)).length;
      }
      after = last;
    }
    return rows;
  });
}

/** As many people a page as the figures take, more or less. */
function pageOf(firstDay: string, endDay: string): number {
  return Math.floor(12_000 / Math.max(60, daysBetween(firstDay, endDay)));
}

async function pageEnd(session: TenantSession, after: string, people: number): Promise<string | undefined> {
  const rows = await session.query<{ id: string | null }>(
    `select max(patient_id) as id from (
       select patient_id from patient where tenant_id = $1 and patient_id > $2 order by patient_id limit $3) as page`,
    [session.tenantId, after, people],
  );
  return rows[0]?.id ?? undefined;
}

/** How long some work takes and the most memory that the process held meanwhile, looked at every 20 ms. */
async function watched<T>(work: () => Promise<T>): Promise<{ answer: T; ms: number; mostBytes: number }> {
  let [mostBytes, done] = [0, false];
  const look = async () => {
    while (!done) {
      mostBytes = Math.max(mostBytes, process.memoryUsage.rss());
      await sleep(20);
    }
  };
  const looking = look();
  const startMs = performance.now();
  const answer = await work();
  const ms = performance.now() - startMs;
  done = true;
  await looking;
  return { answer, ms, mostBytes };
}

function onTherapy({ tables }: PopulationFigures): number | undefined {
  return tables.find(({ figure }) => figure === "people-on-therapy")?.cells.find(({ at }) => at.place === "all")
    ?.persons;
}

function seconds(ms: number): number {
  return Number((ms / 1000).toFixed(1));
}

function megabytes(bytes: number): number {
  return Math.round(bytes / 1_048_576);
}
