import { Client } from "pg";
import { parseSearch } from "../../src/fhir/search/parse.ts";
import type { Service } from "../../src/flows/service.ts";
import { inTenant, openDatabase, readInTenant, type TenantSession } from "../../src/store/database.ts";
import { searchResources } from "../../src/store/search.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import type { Planning } from "../../src/store/tenant-session.ts";
import { fillObservations } from "./observations.ts";
import { registerPatients } from "./patients.ts";
import { benchService } from "./service.ts";

const patients = 500;
const code = "https://tidegate.example/fhir/CodeSystem/observation-kind|assisted-cough-session";

/** Questions that everyone asks (type, parameters); each must be answered through an index. */
const questions: readonly (readonly [type: string, asked: string])[] = [
  ["Observation", "patient=p7&_sort=-date&_count=20"],
  ["Observation", `patient=p7&code=${code}&date=ge2024-01-01&_sort=-date&_count=20`],
  ["Observation", "device=Device/d7&_count=20"],
  ["Observation", "_lastUpdated=ge2100-01-01&_sort=_lastUpdated&_count=20"],
  ["Observation", "patient.family=Family 7&patient.family:exact=Family 7&_count=20"],
  ["Observation", "patient=p7&component-code-value-quantity=peak-cough-flow$lt270&_count=20"],
  ["Patient", "_id=p7"],
  ["Patient", "family=family 7&_count=20"],
  ["Patient", "_has:DeviceUseStatement:patient:device=Device/d7&_count=20"],
  ["Device", "identifier=BENCH-7&_count=20"],
];

interface Plan {
  readonly "Node Type": string;
  readonly "Relation Name"?: string;
  readonly Plans?: readonly Plan[];
}

/**
 * Fills a tenant with this many session Observations and asks PostgreSQL how it answers each question. Throws when it
 * reads all of `resource` for any of them; the figures are of one warm run each.
 */
export async function measureSearchPlans(connectionString: string, observations: number): Promise<object[]> {
  const database = openDatabase(connectionString, { statementTimeoutMs: 1_200_000 });
  try {
    const service = benchService(database);
    const { tenantId } = await ensureTenant(database, "plans");
    await registerPatients(service, tenantId, patients);
    await inTenant(database, tenantId, (session) => fillObservations(service, session, observations, patients));
    await analyze(connectionString);
    return await readInTenant(database, tenantId, async (session) => {
      const rows: object[] = [];
      for (const [type, asked] of questions) rows.push(await explain(service, session, type, asked));
      return rows;
    });
  } finally {
    await database.close();
  }
}

/** As autovacuum would; the service's own role may not. */
async function analyze(connectionString: string): Promise<void> {
  const owner = new Client({ connectionString });
  await owner.connect();
  try {
    for (const table of ["resource", "resource_string", "resource_date"]) await owner.query(`vacuum analyze ${table}`);
  } finally {
    await owner.end();
  }
}

async function explain(service: Service, session: TenantSession, type: string, asked: string): Promise<object> {
  const options = { handling: "strict", defaultCount: 20, maxCount: 500, maxLinks: 3, nowMs: Date.now() } as const;
  const query = parseSearch(service.definitions, [type], [...new URLSearchParams(asked)], options);
  if (!query.ok) throw new Error(query.refusals[0]?.detail);
  const plans: { Plan: Plan; "Planning Time": number; "Execution Time": number }[] = [];
  const asking: TenantSession = {
    ...session,
    async query<Row>(text: string, values: readonly unknown[] = [], plan: Planning = "once") {
      const found = await session.query<{ "QUERY PLAN": typeof plans }>(
        `explain (analyze, format json) ${text}`,
        values,
        plan,
      );
      plans.push(...(found[0]?.["QUERY PLAN"] ?? []));
      return [] as Row[];
    },
  };
  await searchResources(asking, query.value);
  await searchResources(asking, query.value);
  const last = plans.at(-1);
  if (last === undefined || plans.length !== 2) throw new Error(`${type}?${asked} is not one statement`);
  const reads = scans(last.Plan);
  if (reads.includes("Seq Scan resource")) throw new Error(`${type}?${asked} reads every resource`);
  return { question: `${type}?${asked}`, ms: last["Execution Time"], through: [...new Set(reads)].join(", ") };
}

function scans(plan: Plan): string[] {
  const own = /Scan/.test(plan["Node Type"]) ? [`${plan["Node Type"]} ${plan["Relation Name"] ?? ""}`.trim()] : [];
  return [...own, ...(plan.Plans ?? []).flatMap(scans)];
}
