import type { Figure } from "../disclosure/figure.ts";
import type { DisclosurePolicy } from "../disclosure/policy.ts";
import { percentage, showsStatistic } from "../disclosure/rate.ts";
import { type CellKey, cellKey, type Dimension, type Member } from "../disclosure/table.ts";
import type { FigureTable, FigureText, Period, PopulationFigures } from "./figures.ts";

/** What is frozen: everything that any form of a release shows, and nothing that one must not. */
export interface ReleaseBody {
  readonly number: number;
  readonly period: Period;
  readonly policy: { readonly name: string; readonly text: string };
  readonly ruleVersion: string;
  readonly cautions: readonly string[];
  /** What a star, here null, stands for. */
  readonly star: string;
  readonly figures: readonly FigureText[];
  readonly tables: readonly ReleaseTable[];
}

export interface ReleaseTable {
  readonly figure: string;
  readonly dimensions: readonly {
    readonly name: string;
    /** Wholes before their parts; `level` 0 is the whole. */
    readonly members: readonly { readonly key: string; readonly title: string; readonly level: number }[];
  }[];
  readonly rows: readonly ReleaseRow[];
}

/** One place of a table; null is hidden, and absent what there is none of. */
export interface ReleaseRow {
  readonly at: Readonly<Record<string, string>>;
  readonly count: number | null;
  readonly percent?: number | null;
  readonly median?: number | null;
}

const hidingCaution =
  "Counts are rounded or hidden so that nobody can be recognised, and columns need not add up to their totals.";

/** What is said of the whole population's figures, besides the sentence that goes with every figure. */
export const populationCautions = [
  "Figures count people whose records this service holds: who has a device and sends nothing may be missing.",
  "Figures of small groups say little: a difference between two places or periods may be chance.",
  hidingCaution,
  "Do not try to work out what is hidden, alone or together with other figures.",
] as const;

/** What a policy does, in words for the reader. */
export function policyText({ small, roundTo }: DisclosurePolicy): string {
  const hidden = `Counts from ${small.least} to ${small.greatest} are hidden`;
  const rest = roundTo === 1 ? "others are exact" : `others are rounded to the nearest ${roundTo}`;
  const zero = small.least === 1 ? "; 0 is shown as 0" : "";
  return `${hidden}, ${rest}${zero}. More are hidden where they would give others away.`;
}

/** What readers are told of how counts are protected. */
export interface PolicyWords {
  readonly name: string;
  readonly text: string;
  readonly star: string;
  readonly caution: string;
}

function wordsOf(policy: DisclosurePolicy): PolicyWords {
  return {
    name: policy.name,
    text: policyText(policy),
    star: "Hidden: too few, or others would be given away. It does not mean none.",
    caution: hidingCaution,
  };
}

/** The body of a release: figures as they may be shown, percentages and medians where their counts allow. */
export function releaseBody(
  number: number,
  figures: PopulationFigures,
  texts: readonly FigureText[],
  shown: ReadonlyMap<CellKey, Figure>,
  policy: DisclosurePolicy,
  words: PolicyWords = wordsOf(policy),
): ReleaseBody {
  const asked = new Set(figures.tables.map(({ figure }) => figure));
  const known = new Map(texts.map((text) => [text.code, text]));
  const missing = [...asked].filter((code) => !known.has(code));
  if (missing.length > 0) throw new Error(`no text says what ${missing.join(", ")} is`);
  return {
    number,
    period: figures.period,
    policy: { name: words.name, text: words.text },
    ruleVersion: figures.ruleVersion,
    cautions: populationCautions.map((one) => (one === hidingCaution ? words.caution : one)),
    star: words.star,
    figures: texts.filter(({ code }) => asked.has(code)),
    tables: figures.tables.map((table) => shownTable(table, figures, known.get(table.figure), shown, policy)),
  };
}

function shownTable(
  table: FigureTable,
  { tables, titles }: PopulationFigures,
  text: FigureText | undefined,
  shown: ReadonlyMap<CellKey, Figure>,
  policy: DisclosurePolicy,
): ReleaseTable {
  const whole = tables.find(({ figure }) => figure === text?.outOf);
  const dimensions = table.dimensions.map(({ name, whole: root }: Dimension) => ({
    name,
    members: levelled(root, 0).map(({ key, level }) => ({ key, level, title: titles[name]?.[key] ?? key })),
  }));
  const rows = table.cells.map(({ at }): ReleaseRow => {
    const figure = figureAt(shown, cellKey(table, at));
    const outOf =
      whole === undefined ? undefined : shown.get(cellKey({ counts: whole.counts, dimensions: table.dimensions }, at));
    return {
      at,
      count: figure.kind === "hidden" ? null : figure.value,
      ...(outOf === undefined ? {} : percentOf(figure, outOf, policy)),
      ...medianAt(table, at, figure),
    };
  });
  return { figure: table.figure, dimensions, rows };
}

function levelled(member: Member, level: number): { readonly key: string; readonly level: number }[] {
  return [{ key: member.key, level }, ...(member.parts ?? []).flatMap((part) => levelled(part, level + 1))];
}

function figureAt(shown: ReadonlyMap<CellKey, Figure>, key: CellKey): Figure {
  const figure = shown.get(key);
  if (figure === undefined) throw new Error(`the disclosure control says nothing of ${key}`);
  return figure;
}

function percentOf(part: Figure, whole: Figure, policy: DisclosurePolicy): Pick<ReleaseRow, "percent"> {
  const rate = percentage(part, whole, policy);
  if (rate.kind === "nobody") return {};
  return { percent: rate.kind === "shown" ? rate.percent : null };
}

function medianAt(table: FigureTable, at: ReleaseRow["at"], contributors: Figure): Pick<ReleaseRow, "median"> {
  if (table.statistics === undefined) return {};
  const key = cellKey(table, at);
  const median = table.statistics.find((one) => cellKey(table, one.at) === key)?.median;
  if (contributors.kind === "shown" && contributors.value === 0) return {};
  return { median: showsStatistic(contributors) && median !== undefined ? median : null };
}
