import { expect, test } from "vitest";
import { enumerationSolver } from "../../../src/domain/disclosure/enumeration.ts";
import { boundedSolver, openProbe } from "../../../src/domain/disclosure/probe.ts";
import type { Target } from "../../../src/domain/disclosure/target.ts";
import { flat, tableOf } from "./example-tables.ts";
import { published, shown, star } from "./publication-examples.ts";

const byAge = tableOf("n", [flat("age", ["a", "b"])], () => 0);
const small = { least: 1, greatest: 7 };
const release = published("r", [shown("n", 10), star("n;age=a", small), star("n;age=b", small)], [byAge]);
const a: Target = { kind: "cell", plus: ["n;age=a"], minus: [], width: { figures: 2, roles: 1 } };
const solver = enumerationSolver(1000);

test("the ends are those of tables that fit, and the tables are kept", () => {
  const witnesses: number[][] = [];
  const probe = openProbe([release], "figures", solver, witnesses);
  expect(probe.spread(a, () => false)).toEqual({ least: 1, greatest: 9, settled: true });
  expect(witnesses).toEqual([
    [10, 9, 1],
    [10, 1, 9],
  ]);
  probe.close();
});

test("tables that fit answer without the solver, tables that do not are left aside", () => {
  const silent = () => {
    throw new Error("not to be asked");
  };
  const probe = openProbe([release], "figures", silent, [
    [10, 2, 8],
    [10, 6, 4],
    [10, 9, 9],
  ]);
  const enough = ({ least, greatest }: { least: number; greatest: number }) => greatest - least >= 2;
  expect(probe.spread(a, enough)).toEqual({ least: 2, greatest: 6, settled: true });
});

test("an answer that does not fit proves nothing", () => {
  const liar = () => ({ extreme: () => ({ kind: "found" as const, values: [10, 99, 1] }), close: () => undefined });
  const spread = openProbe([release], "figures", liar, []).spread(a, () => false);
  expect(spread?.settled).toBe(false);
  expect(spread?.greatest).toBe(Number.NEGATIVE_INFINITY);
});

test("where no table fits there is no spread", () => {
  const contradictory = [release, published("r2", [shown("n;age=a", 30)])];
  expect(openProbe(contradictory, "figures", solver, []).spread(a, () => false)).toBeUndefined();
});

test("a bounded solver gives up after its last question, and says that it did", () => {
  const bounded = boundedSolver(solver, 1);
  const probe = openProbe([release], "figures", bounded.solver, []);
  expect(bounded.gaveUp()).toBe(false);
  expect(probe.spread(a, () => false)).toEqual({ least: 9, greatest: 9, settled: false });
  expect(bounded.gaveUp()).toBe(true);
});
