import { createHmac, randomBytes } from "node:crypto";
import type { NoiseSource } from "../domain/disclosure/noise.ts";
import { disclosurePolicies } from "../domain/disclosure/policy.ts";
import { spend } from "../domain/disclosure/privacy-budget.ts";
import type { FigureText, PopulationFigures } from "../domain/population/figures.ts";
import type { KeptRelease } from "../domain/population/kept-release.ts";
import { figuresForNoise, noisePolicy, noisyFigures } from "../domain/population/noisy-figures.ts";
import { releaseBody } from "../domain/population/release-body.ts";
import { accepted, type Result } from "../domain/result.ts";
import type { MadeRelease } from "../store/release.ts";
import { frozenRelease } from "./freeze-release.ts";

/** Releases that were published, with their numbers. */
type Published = readonly { readonly number: number; readonly release: KeptRelease }[];

/**
 * A release whose counts carry noise. Refused where the year's budget is spent: what is published of one person's year adds
 * up. The key of the noise is made by chance and thrown away: what is frozen is never drawn again, and nobody can take the
 * noise off.
 */
export function noisyRelease(
  number: number,
  all: PopulationFigures,
  texts: readonly FigureText[],
  published: Published,
): Result<MadeRelease> {
  const year = all.period.firstDay.slice(0, 4);
  const spent = published
    .filter(({ release }) => release.thousandths !== undefined && release.period.firstDay.startsWith(year))
    .map((one) => ({ release: nameOf(one.number), thousandths: one.release.thousandths ?? 0 }));
  const budget = { thousandths: noisePolicy.yearThousandths, spent };
  const paid = spend(budget, { release: nameOf(number), thousandths: noisePolicy.thousandths });
  if (!paid.ok) return paid;
  const figures = figuresForNoise(all);
  const { shown, sensitivity } = noisyFigures(figures, nameOf(number), sourceOf(randomBytes(32)));
  const content = releaseBody(number, figures, texts, shown, disclosurePolicies.hes, wordsOf(sensitivity));
  const against = published.map((one) => one.number);
  const keeping: KeptRelease = {
    period: all.period,
    publication: { name: nameOf(number), cells: [], relations: [], nestings: [] },
    persons: {},
    figures: [],
    thousandths: noisePolicy.thousandths,
  };
  const audit = { passes: true, method: "noise", cells: shown.size, hidden: 0, targets: 0, against };
  return accepted(frozenRelease(content, audit, keeping));
}

const nameOf = (number: number) => `release-${number}`;

function wordsOf(sensitivity: number) {
  const epsilon = noisePolicy.thousandths / 1_000;
  return {
    name: noisePolicy.name,
    text: `Every count carries two-sided geometric noise: epsilon ${epsilon} for one person in all ${sensitivity} figures that they can be in. Nothing is hidden; less than nobody is shown as 0.`,
    star: "No percentage is given of so few. It does not mean none.",
    caution:
      "Every count was changed by chance, small ones by more than they are: columns do not add up to their totals.",
  };
}

/** Numbers from 0 to under 1 from HMAC-SHA-256 of the label and a counter, 53 bits each. */
function sourceOf(key: Buffer): NoiseSource {
  return (label) => {
    let counter = 0;
    return () => {
      counter += 1;
      const bytes = createHmac("sha256", key).update(`${counter}\n${label}`).digest();
      return Number(bytes.readBigUInt64BE(0) >> 11n) / 2 ** 53;
    };
  };
}
