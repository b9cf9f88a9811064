import highsModule, { type Highs, type Model, type ModelData } from "highs";
import type { Extreme, IntervalSolver, LinearSystem, OpenedSystem, Term } from "../domain/disclosure/linear-system.ts";

// The package's types describe its CommonJS build, so TypeScript sees one `default` more than Node does.
const loadHighs = highsModule as unknown as typeof highsModule.default;

/**
 * Branches that one question may cost before it is given up: counted, not timed, so that every machine answers alike. Each
 * costs the more the more unknowns there are, so a large system gets fewer.
 */
function mostBranches(unknowns: number): number {
  return Math.min(20_000, Math.ceil(500_000 / unknowns));
}

/** Unknowns of the largest system that is searched over whole numbers: of more, one question has taken minutes. */
const mostSearched = 1000;

/**
 * The solver that `domain/disclosure` asks, HiGHS compiled to WebAssembly (docs/decisions/0008-disclosure-control.md).
 * It takes a tenth of a second to load, so load it once. A question blocks the thread for some milliseconds; systems
 * must be closed, for their memory is not garbage collected.
 */
export async function loadIntervalSolver(): Promise<IntervalSolver> {
  const highs = await loadHighs();
  return (system) => opened(highs, system);
}

/**
 * Most questions about tables have whole answers without being asked for them, and the next starts from the last one's
 * basis; only where the answer has fractions is the slower search over whole numbers asked.
 */
function opened(highs: Highs, system: LinearSystem): OpenedSystem {
  if (system.least.some((least, i) => least > (system.greatest[i] ?? 0))) return impossible;
  let relaxed: Model | undefined;
  let whole: Model | undefined;
  return {
    extreme: (goal, sense) => {
      relaxed ??= modelOf(highs, system, false);
      const answer = ask(highs, relaxed, system, goal, sense);
      if (answer.kind !== "found" || answer.values.every(isNearlyWhole)) return rounded(answer);
      if (system.least.length > mostSearched) return { kind: "given-up" };
      whole ??= modelOf(highs, system, true);
      return rounded(ask(highs, whole, system, goal, sense));
    },
    close: () => {
      relaxed?.dispose();
      whole?.dispose();
    },
  };
}

const impossible: OpenedSystem = { extreme: () => ({ kind: "impossible" }), close: () => undefined };

function modelOf(highs: Highs, system: LinearSystem, whole: boolean): Model {
  const count = system.least.length;
  const terms = system.rows.flatMap((row) => row.terms);
  const starts = [0];
  for (const row of system.rows) starts.push((starts.at(-1) ?? 0) + row.terms.length);
  const data: ModelData = {
    numCols: count,
    numRows: system.rows.length,
    colCost: new Float64Array(count),
    colLower: system.least,
    colUpper: system.greatest,
    rowLower: system.rows.map(({ least }) => least),
    rowUpper: system.rows.map(({ greatest }) => greatest),
    matrix: {
      format: "csr",
      numRows: system.rows.length,
      numCols: count,
      starts,
      indices: terms.map(({ variable }) => variable),
      values: terms.map(({ times }) => times),
    },
    ...(whole && { integrality: Array.from({ length: count }, () => highs.constants.variableType.integer) }),
  };
  const model = highs.createModel(data);
  // Without presolve the next question starts where the last one ended.
  model.options.set(
    whole
      ? { output_flag: false, mip_rel_gap: 0, mip_max_nodes: mostBranches(count) }
      : { output_flag: false, presolve: "off" },
  );
  return model;
}

function ask(highs: Highs, model: Model, system: LinearSystem, goal: readonly Term[], sense: "least" | "greatest") {
  const costs = new Float64Array(system.least.length);
  for (const { variable, times } of goal) costs[variable] = (costs[variable] ?? 0) + times;
  model.raw.changeColsCost({ kind: "range", from: 0, to: system.least.length - 1 }, costs);
  model.raw.changeObjectiveSense(
    sense === "least" ? highs.constants.objectiveSense.minimize : highs.constants.objectiveSense.maximize,
  );
  model.raw.run();
  return extremeOf(highs, model);
}

function extremeOf(highs: Highs, model: Model): Extreme {
  const status = model.raw.getModelStatus();
  if (status === highs.constants.modelStatus.infeasible) return { kind: "impossible" };
  if (status !== highs.constants.modelStatus.optimal) return { kind: "given-up" };
  return { kind: "found", values: [...model.getSolution().colValue] };
}

function isNearlyWhole(value: number): boolean {
  return Math.abs(value - Math.round(value)) < 1e-6;
}

function rounded(extreme: Extreme): Extreme {
  return extreme.kind === "found" ? { kind: "found", values: extreme.values.map(Math.round) } : extreme;
}
