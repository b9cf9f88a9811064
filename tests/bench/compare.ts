import type { Client } from "pg";

/** One side of a comparison: does one operation and answers how many units that were. */
export type Side = (n: number) => Promise<number>;

/** What to compare: the service and the leanest SQL for the same, by so many clients at once. */
export interface Comparison {
  readonly work: string;
  /** What is counted: sessions, resources, reads. */
  readonly unit: string;
  readonly clients: number;
  readonly ours: Side;
  /** Does the same by plain SQL, where there is such a thing. */
  readonly raw?: Side;
  /** Called before each slice of the raw side; answers how many operations there are, where that is bounded. */
  readonly prepareRaw?: () => Promise<number>;
  /** Operations there are for ours in all; none where there is no end. */
  readonly most?: number;
  readonly goal: Goal;
}

/** What must be reached: a share of the raw rate, a multiple of the raw median, or so many units a second. */
export type Goal =
  | { readonly rateAtLeast: number }
  | { readonly medianAtMost: number }
  | { readonly perSecondAtLeast: number };

/** One line of the result. */
export interface Row {
  readonly work: string;
  readonly unit: string;
  readonly ours: number;
  readonly raw: number;
  readonly medianMs: number;
  readonly p99Ms: number;
  readonly rawMedianMs: number;
  readonly ratio: number;
  readonly goal: string;
  readonly met: boolean;
  readonly statements: number;
  readonly walBytes: number;
  readonly rawWalBytes: number;
}

/** How long a slice is, and how many of each side. */
export interface Effort {
  readonly sliceMs: number;
  readonly rounds: number;
}

interface Slices {
  readonly rates: number[];
  readonly tookMs: number[];
  units: number;
  operations: number;
  walBytes: number;
  statements: number;
}

const nothing = (): Slices => ({ rates: [], tookMs: [], units: 0, operations: 0, walBytes: 0, statements: 0 });

/**
 * Measures both sides in turns, so that both see the same weather: the raw side after ours, which is warmed first. Rates are
 * medians over slices, times medians over operations. Statements are counted by the server where it has
 * pg_stat_statements.
 */
export async function compare(admin: Client, effort: Effort, comparison: Comparison): Promise<Row> {
  const { ours, raw, clients, prepareRaw, most = Number.POSITIVE_INFINITY } = comparison;
  const [us, them] = [nothing(), nothing()];
  let next = 0;
  const take = () => (next < most ? next++ : undefined);
  if (most === Number.POSITIVE_INFINITY) {
    // What runs for the first time is compiled meanwhile.
    await slice(admin, nothing(), ours, clients, effort.sliceMs, take);
    await prepareRaw?.();
  }
  for (let round = 0; round < effort.rounds && next < most; round += 1) {
    await slice(admin, us, ours, clients, effort.sliceMs, take);
    if (raw === undefined) continue;
    const there = (await prepareRaw?.()) ?? Number.POSITIVE_INFINITY;
    let done = 0;
    const again = () => (done < there ? done++ : undefined);
    await slice(admin, them, raw, clients, prepareRaw === undefined ? effort.sliceMs : Number.POSITIVE_INFINITY, again);
  }
  return rowOf(comparison, us, them);
}

async function slice(
  admin: Client,
  into: Slices,
  side: Side,
  clients: number,
  forMs: number,
  take: () => number | undefined,
): Promise<void> {
  const before = await countersOf(admin);
  const start = performance.now();
  let [units, operations] = [0, 0];
  const client = async () => {
    while (performance.now() - start < forMs) {
      const n = take();
      if (n === undefined) return;
      const began = performance.now();
      const did = await side(n);
      units += did;
      operations += 1;
      into.tookMs.push(performance.now() - began);
    }
  };
  await Promise.all(Array.from({ length: clients }, client));
  const seconds = (performance.now() - start) / 1_000;
  const after = await countersOf(admin);
  if (operations === 0) return;
  into.rates.push(units / seconds);
  into.units += units;
  into.operations += operations;
  into.walBytes += after.wal - before.wal;
  into.statements += after.statements - before.statements;
}

async function countersOf(admin: Client): Promise<{ wal: number; statements: number }> {
  const wal = await admin.query("select pg_wal_lsn_diff(pg_current_wal_insert_lsn(), '0/0')::float8 as bytes");
  const calls = await admin
    .query(
      `select coalesce(sum(calls), 0)::float8 as calls from pg_stat_statements s join pg_roles r on r.oid = s.userid
       where r.rolname = 'tidegate_service'`,
    )
    .catch(() => undefined);
  return {
    wal: (wal.rows[0] as { bytes: number }).bytes,
    statements: (calls?.rows[0] as { calls: number } | undefined)?.calls ?? Number.NaN,
  };
}

/** The middle of some numbers, or the place of another share of them. */
export function share(values: readonly number[], of = 0.5): number {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * of))] ?? Number.NaN;
}

function rowOf({ work, unit, goal }: Comparison, us: Slices, them: Slices): Row {
  const [ours, raw] = [share(us.rates), share(them.rates)];
  const [medianMs, rawMedianMs] = [share(us.tookMs), share(them.tookMs)];
  const ratio = "medianAtMost" in goal ? medianMs / rawMedianMs : ours / raw;
  return {
    work,
    unit,
    ours: Math.round(ours),
    raw: Math.round(raw),
    medianMs: rounded(medianMs),
    p99Ms: rounded(share(us.tookMs, 0.99)),
    rawMedianMs: rounded(rawMedianMs),
    ratio: rounded(ratio),
    ...judged(goal, ours, ratio),
    statements: rounded(us.statements / us.operations),
    walBytes: Math.round(us.walBytes / us.units),
    rawWalBytes: Math.round(them.walBytes / them.units),
  };
}

function judged(goal: Goal, ours: number, ratio: number): { goal: string; met: boolean } {
  if ("rateAtLeast" in goal) return { goal: `≥ ${goal.rateAtLeast * 100} % of raw`, met: ratio >= goal.rateAtLeast };
  if ("medianAtMost" in goal) return { goal: `p50 ≤ ${goal.medianAtMost} × raw`, met: ratio <= goal.medianAtMost };
  return { goal: `≥ ${goal.perSecondAtLeast} a second`, met: ours >= goal.perSecondAtLeast };
}

function rounded(value: number): number {
  return Number(value.toFixed(value < 10 ? 2 : 0));
}
