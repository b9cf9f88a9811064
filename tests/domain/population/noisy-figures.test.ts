import { expect, test } from "vitest";
import { cellKey } from "../../../src/domain/disclosure/table.ts";
import { figuresForNoise, noisePolicy, noisyFigures } from "../../../src/domain/population/noisy-figures.ts";
import { periodOf } from "../../../src/domain/population/period.ts";
import { madeUpFigures } from "../../support/made-up-figures.ts";

const period = periodOf("2026-05");
if (period === undefined) throw new Error("no period");
const figures = madeUpFigures(period, { north: 4_000, south: 2_000, west: 900 });

/** A stream of its own for each label, from a small generator (Park and Miller, 1988): only for tests. */
function sourceOf(seed: number) {
  return (label: string) => {
    let state = [...label].reduce((sum, letter) => (sum * 31 + letter.charCodeAt(0)) % 2_147_483_647, seed) || 1;
    return () => {
      state = (state * 48_271) % 2_147_483_647;
      return state / 2_147_483_647;
    };
  };
}

test("medians and tables of more than places are left out", () => {
  const kept = figuresForNoise(figures).tables;
  expect(kept.map(({ figure }) => figure)).toEqual(["people-on-therapy", "days-used.low"]);
});

test("every count gets noise of its own, the same for the same key, another for another release", () => {
  const asked = figuresForNoise(figures);
  const one = noisyFigures(asked, "release-1", sourceOf(7)).shown;
  expect(noisyFigures(asked, "release-1", sourceOf(7)).shown).toEqual(one);
  expect(noisyFigures(asked, "release-2", sourceOf(7)).shown).not.toEqual(one);
  const [table] = asked.tables;
  for (const { at, persons } of table?.cells ?? []) {
    const figure = table && one.get(cellKey(table, at));
    expect(figure?.kind).toBe("shown");
    // Two-sided geometric noise of epsilon 1 over the sensitivity: beyond 20 times its scale it does not come in a test.
    if (figure?.kind === "shown") expect(Math.abs(figure.value - persons)).toBeLessThan(20 * 8);
  }
});

test("a person is in a place and all above it, once in each table", () => {
  const { sensitivity } = noisyFigures(figuresForNoise(figures), "release-1", sourceOf(7));
  // Two tables, each of places two levels deep: the whole and the place itself.
  expect(sensitivity).toBe(4);
  expect(noisePolicy.yearThousandths / noisePolicy.thousandths).toBe(12);
});
