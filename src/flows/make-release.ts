import type { Publication } from "../domain/disclosure/intruder.ts";
import { disclosurePolicies } from "../domain/disclosure/policy.ts";
import { type Release, type ReleaseBounds, type ReleaseRequest, usualBounds } from "../domain/disclosure/release.ts";
import { figureTexts } from "../domain/population/catalogue.ts";
import { withoutLowestPlaces } from "../domain/population/coarser.ts";
import { figureRelations, personsOf } from "../domain/population/figure-relations.ts";
import type { FigureTable, FigureText, Period, PopulationFigures } from "../domain/population/figures.ts";
import { calendarRelations, figuresOf, type KeptRelease, linkedReleases } from "../domain/population/kept-release.ts";
import { noisePolicy } from "../domain/population/noisy-figures.ts";
import { periodOf } from "../domain/population/period.ts";
import { releaseBody } from "../domain/population/release-body.ts";
import { accepted, type Refusal, type Result } from "../domain/result.ts";
import { inTenant } from "../store/database.ts";
import {
  findRelease,
  keptPublications,
  lookAtReleases,
  type MadeRelease,
  saveDrafted,
  saveProgress,
  saveRefused,
} from "../store/release.ts";
import { discloseApart } from "./disclosure-thread.ts";
import { frozenRelease } from "./freeze-release.ts";
import { noisyRelease } from "./noisy-release.ts";
import { type PopulationProgress, populationFigures } from "./population.ts";
import type { Service } from "./service.ts";

/** The policies that a release can be asked under. */
export type PolicyName = keyof typeof disclosurePolicies | typeof noisePolicy.name;

/** Where figures come from and how they are made safe; tests make up their own. */
export interface ReleaseWorks {
  readonly texts: readonly FigureText[];
  figures(
    service: Service,
    tenantId: number,
    period: Period,
    onProgress: (progress: PopulationProgress) => void,
  ): Promise<PopulationFigures>;
  disclose(request: Omit<ReleaseRequest, "solver">): Promise<Result<Release>>;
}

/** A job has minutes; what they are measured to be enough for stands in docs/decisions/0008-disclosure-control.md. */
const bounds: ReleaseBounds = { ...usualBounds, questions: 20_000 };

/** The tenant's own figures, made safe on a thread of its own. */
export const releaseWorks: ReleaseWorks = { texts: figureTexts, figures: populationFigures, disclose: discloseApart };

/**
 * Makes a release that was asked for: counts, hides, audits against all that was published of linked periods, and freezes
 * the outcome as a draft, or as refused with the reason. Running it again after either changes nothing.
 */
export async function makeRelease(
  service: Service,
  works: ReleaseWorks,
  tenantId: number,
  number: number,
): Promise<void> {
  const read = await inTenant(service.database, tenantId, async (session) => {
    await lookAtReleases(session, "all");
    const found = await findRelease(session, number);
    return { found, kept: found?.state === "computing" ? await keptPublications(session) : [] };
  });
  if (read.found?.state !== "computing") return;
  const period = periodOf(read.found.period);
  if (period === undefined) throw new Error("a release of a period that is none");
  const progress = latestOnly<PopulationProgress>(({ done, total }) =>
    written(service, tenantId, (session) => saveProgress(session, number, done, total)),
  );
  const figures = await works.figures(service, tenantId, period, progress.tell);
  await progress.settled();
  const kept = read.kept.map((one) => ({ number: one.number, release: JSON.parse(one.publication) as KeptRelease }));
  const made = await madeOf(works, number, figures, read.found.policy as PolicyName, kept);
  await written(service, tenantId, (session) =>
    made.ok
      ? saveDrafted(session, number, made.value)
      : saveRefused(session, number, made.refusals.map(({ detail }) => detail).join(" ")),
  );
}

/** Writes what it is told one after the other, and leaves out what is out of date before its turn comes. */
function latestOnly<T>(write: (value: T) => Promise<void>) {
  let next: { readonly value: T } | undefined;
  let writing: Promise<void> | undefined;
  const writeAll = async () => {
    while (next !== undefined) {
      const { value } = next;
      next = undefined;
      await write(value);
    }
    writing = undefined;
  };
  return {
    tell(value: T): void {
      next = { value };
      writing ??= writeAll();
      // Whoever waits for the end hears of an error.
      writing.catch(() => undefined);
    },
    settled: async (): Promise<void> => writing,
  };
}

function written(
  service: Service,
  tenantId: number,
  work: (session: Parameters<typeof findRelease>[0]) => Promise<void>,
): Promise<void> {
  return inTenant(service.database, tenantId, async (session) => {
    await lookAtReleases(session, "all");
    await work(session);
  });
}

/** What the audit found, for those who sign: no count, and nothing of why one figure is hidden. */
export interface AuditSummary {
  readonly passes: true;
  readonly method: Release["method"] | "noise";
  readonly cells: number;
  readonly hidden: number;
  /** Hidden cells, sums and differences that were worked out to their ends. */
  readonly targets: number;
  /** Numbers of all releases published before: those that share days with it were part of the audit. */
  readonly against: readonly number[];
  /** Said where tables had to be left out. */
  readonly note?: string;
}

/** Figures that a release is tried with, and what readers are told of those left out. */
interface Attempt {
  readonly figures: PopulationFigures;
  readonly note?: string;
}

async function madeOf(
  works: ReleaseWorks,
  number: number,
  figures: PopulationFigures,
  policyName: PolicyName,
  kept: readonly { readonly number: number; readonly release: KeptRelease }[],
): Promise<Result<MadeRelease>> {
  if (policyName === noisePolicy.name) return noisyRelease(number, figures, works.texts, kept);
  const policy = disclosurePolicies[policyName];
  const against = kept.map((one) => one.number);
  const earlier = linkedReleases(
    figures.period,
    kept.map(({ release }) => release),
  );
  const attempts = attemptsOf(figures).map(withFewerPlaces);
  for (const [index, { figures: asked, note }] of attempts.entries()) {
    const { own, known } = knownOf(asked, works.texts, earlier);
    const request = {
      name: `release-${number}`,
      tables: asked.tables,
      policy,
      earlier: [...earlier.map(({ publication }) => publication), known],
      earlierPersons: Object.assign({}, ...earlier.map(({ persons }) => persons)) as KeptRelease["persons"],
      bounds,
    };
    const disclosed = await works.disclose(request);
    if (!disclosed.ok && isTooFine(disclosed) && index < attempts.length - 1) continue;
    if (!disclosed.ok) return disclosed;
    const release = disclosed.value;
    const content = releaseBody(number, asked, works.texts, release.figures, policy);
    const cautions = [...content.cautions, ...(note === undefined ? [] : [note])];
    const keeping: KeptRelease = {
      period: figures.period,
      publication: joined(release.publication, own),
      persons: Object.fromEntries(personsOf(asked.tables)),
      figures: figuresOf(asked),
    };
    const audit = { ...summaryOf(release, against), ...(note === undefined ? {} : { note }) };
    return accepted(frozenRelease({ ...content, cautions }, audit, keeping));
  }
  throw new Error("a release was tried in no way");
}

/** Cells of one release, counted table by table: a region of 40 sites has 6,375, one of 60 some 9,400. */
const mostCells = 10_000;

/** The attempt at the finest level of places that an audit can be asked about. */
function withFewerPlaces(attempt: Attempt): Attempt {
  let { figures } = attempt;
  while (cellsOf(figures) > mostCells) {
    const coarser = withoutLowestPlaces(figures);
    if (coarser === undefined) break;
    figures = coarser;
  }
  if (figures === attempt.figures) return attempt;
  const said =
    "The lowest level of places was left out, for there are too many to show all figures of them to be safe.";
  return { figures, note: attempt.note === undefined ? said : `${attempt.note} ${said}` };
}

function cellsOf({ tables }: PopulationFigures): number {
  return tables.reduce((sum, { cells }) => sum + cells.length, 0);
}

/** Whether coarser figures of the same could pass. */
function isTooFine({ refusals }: { readonly refusals: readonly Refusal[] }): boolean {
  return refusals.some(({ kind }) => kind === "too-costly" || kind === "business-rule");
}

function summaryOf({ figures, audit, method }: Release, against: readonly number[]): AuditSummary {
  const hidden = [...figures.values()].filter(({ kind }) => kind === "hidden").length;
  return { passes: true, method, cells: figures.size, hidden, targets: audit.targets.length, against };
}

/**
 * What is tried in turn, from fine to coarse. Bands and medians (their codes have a dot) are published by place alone from
 * the start: by place and age nearly all of their cells are small, and to show such a release safe takes minutes.
 */
function attemptsOf({
  tables: all,
  ...rest
}: PopulationFigures): readonly { figures: PopulationFigures; note?: string }[] {
  // What divides into one part (no diagnosis is known of anybody) tells nothing that the table of places does not.
  const tables = all.filter(({ dimensions }) => dimensions.slice(1).every(({ whole }) => whole.parts?.length !== 1));
  const byPlace = ({ dimensions }: FigureTable) => dimensions.length <= 1;
  const isBand = ({ figure }: FigureTable) => figure.includes(".");
  const steps: readonly (readonly [leftOut: string, keeps: (table: FigureTable) => boolean])[] = [
    ["", (table) => byPlace(table) || !isBand(table)],
    ["tables of two dimensions", byPlace],
    [
      "tables of two dimensions, and bands of all measures but days-used",
      (table) => byPlace(table) && (!isBand(table) || table.figure.startsWith("days-used.")),
    ],
    ["tables of two dimensions, bands and medians", (table) => byPlace(table) && !isBand(table)],
  ];
  const attempts = steps.map(([leftOut, keeps]) => ({
    figures: { ...rest, tables: tables.filter(keeps) },
    ...(leftOut === "" ? {} : { note: `Left out, for they could not be shown to be safe: ${leftOut}.` }),
  }));
  return attempts.filter(
    ({ figures }, index) =>
      index === 0 ||
      (figures.tables.length > 0 && figures.tables.length < (attempts[index - 1]?.figures.tables.length ?? 0)),
  );
}

/** What is known besides the figures: by their definitions (`own`, kept with the release), and by the calendar. */
function knownOf(figures: PopulationFigures, texts: readonly FigureText[], earlier: readonly KeptRelease[]) {
  const own = figureRelations(figures.tables, texts);
  const persons = Object.fromEntries(personsOf(figures.tables));
  const calendar = calendarRelations([...earlier, { period: figures.period, persons, figures: figuresOf(figures) }]);
  return { own, known: joined(joined({ name: "known", cells: [], relations: [], nestings: [] }, own), calendar) };
}

function joined(publication: Publication, more: Pick<Publication, "relations" | "nestings">): Publication {
  return {
    ...publication,
    relations: [...publication.relations, ...more.relations],
    nestings: [...publication.nestings, ...more.nestings],
  };
}
