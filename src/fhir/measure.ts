import type { Measure, MeasureGroupPopulation } from "@medplum/fhirtypes";
import { canonical } from "./terminology/canonical.ts";

/** One adherence measure in words; its arithmetic stands in the domain. */
interface MeasureText {
  /** Code of the measure, and id of its resource. */
  readonly code: string;
  readonly title: string;
  readonly scoring: "proportion" | "ratio";
  readonly eligible: string;
  readonly denominator: string;
  readonly numerator: string;
  readonly rationale: string;
}

const unknownLeftOut = "Days and sessions that the records cannot tell about are left out, never counted as missed.";

/** Every adherence measure: several named ones, because no single figure says how a therapy is used. */
export const measureTexts: readonly MeasureText[] = [
  {
    code: "days-used",
    title: "Days with any recorded use",
    scoring: "proportion",
    eligible: "Local days with a plan in force that nothing excludes (hospital stay, hold, device away, holiday).",
    denominator: "Eligible days that are known: used, or read in full without a session.",
    numerator: "Known days with at least one qualifying session.",
    rationale: "The definition of Chatwin & Simonds 2020, Respir Care 65(2):135-143.",
  },
  {
    code: "sessions-completed",
    title: "Asked sessions that were recorded",
    scoring: "proportion",
    eligible: "Sessions that the plan asks for on eligible days, by day part where it names parts.",
    denominator: "Asked sessions that are known to be done or missed.",
    numerator: "Asked sessions done. A second morning session does not make up for a missed evening.",
    rationale: "A definition of this service; no published source.",
  },
  {
    code: "sessions-recorded",
    title: "Recorded sessions per asked session",
    scoring: "ratio",
    eligible: "Sessions that the plan asks for on eligible days.",
    denominator: "Asked sessions that are known to be done or missed.",
    numerator: "All qualifying sessions on known days, those beyond what was asked included: it may pass 1.",
    rationale: "A definition of this service; no published source.",
  },
  {
    code: "dose",
    title: "Cycles delivered per cycle prescribed",
    scoring: "proportion",
    eligible: "Cycles that the plan prescribes on eligible days, where it states sets and cycles.",
    denominator: "Prescribed cycles that are known to be delivered or not.",
    numerator: "Cycles delivered, at most those prescribed for each day.",
    rationale: "A definition of this service; no published source.",
  },
  {
    code: "settings-concordance",
    title: "Sessions with prescribed settings",
    scoring: "proportion",
    eligible: "Qualifying sessions on eligible days.",
    denominator: "Those with recorded settings that the plan states too.",
    numerator: "Those within tolerance of a prescribed profile.",
    rationale: "A definition of this service; no published source.",
  },
  {
    code: "all-facets",
    title: "Days on which everything was as prescribed",
    scoring: "proportion",
    eligible: "Eligible days that ask for a session.",
    denominator: "Those of which the records can tell.",
    numerator:
      "Days on which every asked session was done, every session ran on prescribed settings and no sitting was too long.",
    rationale:
      "Combining facets always lowers the figure: Benoit 2020, Respir Care 65(12):1831-1837, for chest-wall oscillation.",
  },
];

/** Sentence that every measure and every report of one carries. */
export const measureCaution =
  "Recorded use is not effectiveness. For information only: records may be late or incomplete, and no figure here is a reason by itself to start, stop or change a therapy. Follow local policy and the licensed clinician's judgement.";

/** The address of one measure. */
export function measureUrl(code: string): string {
  return canonical("Measure", code);
}

/** Terminology of populations and scoring (https://hl7.org/fhir/R4/valueset-measure-population.html). */
export const measureSystems = {
  population: "http://terminology.hl7.org/CodeSystem/measure-population",
  scoring: "http://terminology.hl7.org/CodeSystem/measure-scoring",
  type: "http://terminology.hl7.org/CodeSystem/measure-type",
} as const;

/** The measures as resources, each at its own address. */
export function measureResources(): (Measure & { id: string })[] {
  return measureTexts.map((text) => ({
    resourceType: "Measure",
    id: text.code,
    url: measureUrl(text.code),
    name: text.title.replace(/[^A-Za-z]/g, ""),
    title: text.title,
    status: "active",
    description: `${text.numerator} Out of: ${text.denominator}`,
    subjectCodeableConcept: { coding: [{ system: "http://hl7.org/fhir/resource-types", code: "Patient" }] },
    disclaimer: measureCaution,
    scoring: { coding: [{ system: measureSystems.scoring, code: text.scoring }] },
    type: [{ coding: [{ system: measureSystems.type, code: "process" }] }],
    rationale: text.rationale,
    guidance: unknownLeftOut,
    group: [
      {
        population: [
          population("initial-population", text.eligible),
          population("denominator", text.denominator),
          population("numerator", text.numerator),
        ],
      },
    ],
  }));
}

function population(code: string, description: string): MeasureGroupPopulation {
  return {
    code: { coding: [{ system: measureSystems.population, code }] },
    description,
    // The criteria are arithmetic over records, written in words. The binding of the language is extensible, which the
    // type does not know (https://hl7.org/fhir/R4/valueset-expression-language.html).
    criteria: { language: "text/plain" as "text/cql", expression: description },
  };
}
