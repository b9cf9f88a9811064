import { periodOf } from "../../../src/domain/population/period.ts";
import type { Service } from "../../../src/flows/service.ts";
import type { Row } from "../compare.ts";
import { compareFigures } from "../population.ts";
import type { Workbench } from "../workbench.ts";

const most = 3;

/** The figures of everybody over a year beside a read of the same facts; once each, for both take long. */
export async function measureFigures(bench: Workbench, service: Service, code: string): Promise<Row> {
  const period = periodOf(code);
  if (period === undefined) throw new Error(`${code} is no period`);
  const { people, rawMs, figuresMs } = await compareFigures(service, bench.tenantId, period);
  const ratio = Number((figuresMs / rawMs).toFixed(2));
  return {
    work: `population figures of ${people} people, ${code}`,
    unit: "people",
    ours: Math.round((people * 1_000) / figuresMs),
    raw: Math.round((people * 1_000) / rawMs),
    medianMs: Math.round(figuresMs),
    p99Ms: Number.NaN,
    rawMedianMs: Math.round(rawMs),
    ratio,
    goal: `time ≤ ${most} × raw`,
    met: ratio <= most,
    statements: Number.NaN,
    walBytes: 0,
    rawWalBytes: 0,
  };
}
