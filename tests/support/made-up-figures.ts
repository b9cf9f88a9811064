import type { Counted } from "../../src/domain/adherence.ts";
import { disclose } from "../../src/domain/disclosure/release.ts";
import type { Count, Dimension } from "../../src/domain/disclosure/table.ts";
import { bandedMeasures } from "../../src/domain/population/catalogue.ts";
import type { FigureTable, FigureText, Period, PopulationFigures } from "../../src/domain/population/figures.ts";
import { loadIntervalSolver } from "../../src/flows/interval-solver.ts";
import { makeRelease, type PolicyName, type ReleaseWorks } from "../../src/flows/make-release.ts";
import { requestRelease, signRelease } from "../../src/flows/release.ts";
import type { TestService } from "./service.ts";

/** Persons at each of the invented places of a period. */
export type PlaceCounts = Readonly<Record<"north" | "south" | "west", number>>;

export const madeUpTexts: readonly FigureText[] = [
  {
    code: "people-on-therapy",
    title: "People on therapy",
    definition: "A plan was in force on a day of the period.",
    unit: "1",
    kind: "count",
  },
  {
    code: "days-used.low",
    title: "Days used: under 35 %",
    definition: "People on therapy whose measure days-used is under 35 %.",
    unit: "1",
    kind: "count",
    outOf: "people-on-therapy",
  },
  {
    code: "days-used.median",
    title: "Median of days used",
    definition: "Of the people on therapy with a ratio.",
    unit: "%",
    kind: "median",
  },
];

const place: Dimension = {
  name: "place",
  whole: { key: "all", parts: [{ key: "north" }, { key: "south" }, { key: "west" }] },
  parts: "disjoint",
};

function table(figure: string, period: Period, counts: PlaceCounts, median?: number): FigureTable {
  const all = counts.north + counts.south + counts.west;
  const cells: Count[] = Object.entries({ all, ...counts }).map(([key, persons]) => ({ at: { place: key }, persons }));
  return {
    figure,
    counts: `${figure} ${period.code}`,
    dimensions: [place],
    cells,
    ...(median === undefined
      ? {}
      : { statistics: cells.map(({ at, persons }) => ({ at, median, contributors: persons })) }),
  };
}

/** The figures of a period in which so many people were on therapy at each place, a third of them with low use. */
export function madeUpFigures(period: Period, people: PlaceCounts): PopulationFigures {
  const third = (count: number) => Math.floor(count / 3);
  const low = { north: third(people.north), south: third(people.south), west: third(people.west) };
  return {
    period,
    tables: [
      table("people-on-therapy", period, people),
      table("days-used.low", period, low),
      table("days-used.median", period, people, 61.5),
    ],
    titles: { place: { all: "All places", north: "North <b>", south: "=South", west: "West" } },
    ruleVersion: "made-up",
    sums: Object.fromEntries(
      bandedMeasures.map((code) => [code, { numerator: 0, denominator: 0, eligible: 0 }]),
    ) as Record<(typeof bandedMeasures)[number], Counted>,
  };
}

/** Works whose figures are what `people` says of a period when they are asked for. */
export async function madeUpWorks(people: (period: Period) => PlaceCounts): Promise<ReleaseWorks> {
  const solver = await loadIntervalSolver();
  return {
    texts: madeUpTexts,
    figures: async (_service, _tenantId, period, onProgress) => {
      onProgress({ done: 0, total: 60 });
      onProgress({ done: 60, total: 60 });
      return madeUpFigures(period, people(period));
    },
    disclose: async (request) => disclose({ ...request, solver }),
  };
}

export const ada = { clientId: "one", name: "Ada Vale" };
export const ben = { clientId: "two", name: "Ben Holt" };

/** Asks for a release and makes it, without the job table; its number. */
export async function drafted(
  { service, tenantId }: Pick<TestService, "service" | "tenantId">,
  works: ReleaseWorks,
  period: string,
  policy: PolicyName = "hes",
): Promise<number> {
  const asked = await requestRelease(service, tenantId, { period, policy, by: ada });
  if (!asked.ok) throw new Error(JSON.stringify(asked.refusals));
  await makeRelease(service, works, tenantId, asked.value.release.number);
  return asked.value.release.number;
}

/** The same, signed off by a second person. */
export async function published(
  test: Pick<TestService, "service" | "tenantId">,
  works: ReleaseWorks,
  period: string,
  policy: PolicyName = "hes",
): Promise<number> {
  const number = await drafted(test, works, period, policy);
  const signed = await signRelease(test.service, test.tenantId, number, ben);
  if (!signed.ok) throw new Error(JSON.stringify(signed.refusals));
  return number;
}
