import { parseSearch } from "../../../src/fhir/search/parse.ts";
import { type Comparison, compare, type Row } from "../compare.ts";
import type { Workbench } from "../workbench.ts";

const code = "https://tidegate.example/fhir/CodeSystem/observation-kind|assisted-cough-session";
/** Before the newest hundred of everybody. */
const since = new Date(Date.now() - 200 * 86_400_000).toISOString();

/** What everybody asks, each beside the leanest select of the same bodies. `patients` have session Observations. */
export async function measureReads(bench: Workbench, patients: number): Promise<Row[]> {
  const term = codeTerm(bench);
  const rows: Row[] = [];
  for (const work of [readById(bench, patients), ...[20, 100].map((count) => searching(bench, patients, term, count))])
    rows.push(await compare(bench.admin, bench.effort, work));
  rows.push(await compare(bench.admin, bench.effort, including(bench, patients, term)));
  return rows;
}

/** The same search alone, for how it grows. */
export function measureSearch(bench: Workbench, patients: number): Promise<Row> {
  return compare(bench.admin, bench.effort, searching(bench, patients, codeTerm(bench), 20));
}

function readById(bench: Workbench, patients: number): Comparison {
  const text = "select body from resource where tenant_id = $1 and type = 'Observation' and id = $2";
  return {
    work: "read by id",
    unit: "reads",
    clients: 8,
    async ours(n) {
      await bench.served.send("GET", `/fhir/Observation/o${spread(n, patients * 20)}`);
      return 1;
    },
    raw: (n) => selected(bench, text, [bench.tenantId, `o${spread(n, patients * 20)}`], 1),
    goal: { medianAtMost: 3 },
  };
}

// By the patient's index and in its order, which the bare condition on terms would lead away from.
const rawSearch = `select body from (select body, terms from resource
    where tenant_id = $1 and type = 'Observation' and patient_id = $2 and started_at >= $4
    order by started_at desc nulls last offset 0) as newest
  where terms && array[$3::bigint] limit $5`;

function searching(bench: Workbench, patients: number, term: string, count: number): Comparison {
  const asked = new URLSearchParams({ code, date: `ge${since}`, _sort: "-date", _count: String(count) });
  return {
    work: `search by patient, code and date, ${count} results`,
    unit: "searches",
    clients: 8,
    async ours(n) {
      const text = await bench.served.send("GET", `/fhir/Observation?patient=p${spread(n, patients)}&${asked}`);
      if (text.length < count * 1_000) throw new Error(text.slice(0, 500));
      return 1;
    },
    raw: (n) => selected(bench, rawSearch, [bench.tenantId, `p${spread(n, patients)}`, term, since, count], count),
    goal: { medianAtMost: count === 20 ? 3 : 2.5 },
  };
}

function including(bench: Workbench, patients: number, term: string): Comparison {
  const count = 20;
  const asked = new URLSearchParams([
    ["code", code],
    ["date", `ge${since}`],
    ["_sort", "-date"],
    ["_count", String(count)],
    ["_include", "Observation:patient"],
    ["_include", "Observation:device"],
  ]);
  const others = `select body from resource where tenant_id = $1 and (type, id) in (('Patient', $2), ('Device', $3))`;
  return {
    work: "the same with _include of patient and device",
    unit: "searches",
    clients: 8,
    async ours(n) {
      const text = await bench.served.send("GET", `/fhir/Observation?patient=p${spread(n, patients)}&${asked}`);
      if (!text.includes('"mode":"include"')) throw new Error(text.slice(0, 500));
      return 1;
    },
    async raw(n) {
      const p = spread(n, patients);
      await selected(bench, rawSearch, [bench.tenantId, `p${p}`, term, since, count], count);
      return selected(bench, others, [bench.tenantId, `p${p}`, `d${p}`], 2);
    },
    goal: { medianAtMost: 2.5 },
  };
}

/** The first page of a caseload, as a dashboard opens with it, beside a select of the same columns. */
export function measureCaseload(bench: Workbench): Promise<Row> {
  const text = `select p.patient_id, p.sort_name, p.zone, p.birth_day, s.reviewed_day, s.days_used, s.sessions_completed,
      s.urgent_count, s.review_count, s.information_count, s.findings, s.last_session_at, s.covered_until, s.next_part_due_day
    from patient p left join patient_summary s using (tenant_id, patient_id) where p.tenant_id = $1 and p.active
    order by p.sort_name, p.patient_id limit 50`;
  return compare(bench.admin, bench.effort, {
    work: "caseload page of 50",
    unit: "pages",
    clients: 8,
    async ours() {
      const page = JSON.parse(await bench.served.send("GET", "/api/v1/caseload?sort=name&count=50")) as {
        rows: unknown[];
      };
      if (page.rows.length !== 50) throw new Error(`${page.rows.length} rows`);
      return 1;
    },
    raw: () => selected(bench, text, [bench.tenantId], 50),
    goal: { medianAtMost: 3 },
  });
}

/** Jumps about, so that neighbours are not asked for one after the other. */
function spread(n: number, of: number): number {
  return (n * 7_919) % of;
}

async function selected(bench: Workbench, text: string, values: unknown[], rows: number): Promise<number> {
  const answer = await bench.rawPool.query({ name: text.slice(0, 60), text, values });
  if (answer.rows.length !== rows) throw new Error(`${answer.rows.length} rows instead of ${rows}: ${text}`);
  return 1;
}

/** The term by which the index finds the code. */
function codeTerm({ service }: Workbench): string {
  const options = { handling: "strict", defaultCount: 20, maxCount: 500, maxLinks: 3, nowMs: Date.now() } as const;
  const query = parseSearch(service.definitions, ["Observation"], [["code", code]], options);
  const term = query.ok ? /"anyOf":\["(-?\d+)"/.exec(JSON.stringify(query.value.branches))?.[1] : undefined;
  if (term === undefined) throw new Error("the code is searched for in another way than by terms");
  return term;
}
