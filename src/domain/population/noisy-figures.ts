import type { Figure } from "../disclosure/figure.ts";
import { mostCellsOfOnePerson, type NoiseSource, noisyCount } from "../disclosure/noise.ts";
import { type CellKey, cellKey } from "../disclosure/table.ts";
import type { PopulationFigures } from "./figures.ts";

/**
 * Noise in place of hiding, as a tenant can ask for it. What one release tells of one person is bounded by its epsilon, and
 * what all releases of a year tell by the year's: choices of this service, no published source.
 */
export const noisePolicy = { name: "geometric-noise", thousandths: 1_000, yearThousandths: 12_000 } as const;

/** Figures that noise can be put on without drowning them: counts by place alone. One person is in few of their cells. */
export function figuresForNoise(figures: PopulationFigures): PopulationFigures {
  const tables = figures.tables.filter(
    ({ dimensions, statistics }) => statistics === undefined && dimensions.every(({ name }) => name === "place"),
  );
  return { ...figures, tables };
}

/** Each count with its own noise, for the release of this name; and in how many cells one person can be. */
export function noisyFigures(
  { tables }: PopulationFigures,
  release: string,
  source: NoiseSource,
): { readonly shown: ReadonlyMap<CellKey, Figure>; readonly sensitivity: number } {
  const sensitivity = mostCellsOfOnePerson(tables);
  const noise = { source, epsilon: noisePolicy.thousandths / 1_000, sensitivity };
  const shown = new Map<CellKey, Figure>();
  for (const table of tables) {
    for (const { at, persons } of table.cells) {
      const key = cellKey(table, at);
      const value = noisyCount(persons, release, key, noise);
      shown.set(key, { kind: "shown", value, least: value, greatest: value });
    }
  }
  return { shown, sensitivity };
}
