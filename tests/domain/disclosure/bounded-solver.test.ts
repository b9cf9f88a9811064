import { expect, test } from "vitest";
import { boundedSolver } from "../../../src/domain/disclosure/bounded-solver.ts";
import { enumerationSolver } from "../../../src/domain/disclosure/enumeration.ts";
import type { IntervalSolver } from "../../../src/domain/disclosure/linear-system.ts";

const system = { least: [1], greatest: [7], rows: [] };
const goal = [{ variable: 0, times: 1 }];

test("gives up after its last question, and says that it did", () => {
  const { solver, gaveUp } = boundedSolver(enumerationSolver(100), 1);
  const opened = solver(system);
  expect(opened.extreme(goal, "greatest")).toEqual({ kind: "found", values: [7] });
  expect(gaveUp()).toBe(false);
  expect(opened.extreme(goal, "least")).toEqual({ kind: "given-up" });
  expect(gaveUp()).toBe(true);
});

test("an answer that does not fit is none, while one that nothing fits is", () => {
  const liar: IntervalSolver = () => ({ extreme: () => ({ kind: "found", values: [99] }), close: () => undefined });
  const lied = boundedSolver(liar, 9);
  lied.solver(system).extreme(goal, "least");
  expect(lied.gaveUp()).toBe(true);
  const impossible = boundedSolver(enumerationSolver(100), 9);
  expect(impossible.solver({ ...system, least: [8] }).extreme(goal, "least")).toEqual({ kind: "impossible" });
  expect(impossible.gaveUp()).toBe(false);
});

test("a question about many unknowns counts for more, and one about very many is not put", () => {
  const all = (count: number) => ({ least: Array(count).fill(0), greatest: Array(count).fill(1), rows: [] });
  const constant: IntervalSolver = ({ least }) => ({
    extreme: () => ({ kind: "found", values: least }),
    close: () => undefined,
  });
  const { solver, gaveUp } = boundedSolver(constant, 15);
  const opened = solver(all(400));
  expect(opened.extreme(goal, "least").kind).toBe("found");
  expect(gaveUp()).toBe(false);
  expect(opened.extreme(goal, "least").kind).toBe("given-up");
  expect(boundedSolver(constant, 1e9).solver(all(3001)).extreme(goal, "least").kind).toBe("given-up");
});
