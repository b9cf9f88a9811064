import type { PartKind } from "./part.ts";
import type { DayPart } from "./prescription.ts";

/** Every number the rules use. All are configuration; the defaults name their source beside each. */
export interface Thresholds {
  readonly version: string;
  readonly dayParts: readonly DayPart[];
  readonly sittingRestGapMinutes: number;
  readonly minimumCycles: number;
  readonly minimumCoverageShare: number;
  readonly lowUseBelowShare: number;
  readonly lowUseWindowDays: number;
  readonly noRecentRecordDays: number;
  readonly longSittingMinutes: number;
  readonly longSittingWindowDays: number;
  readonly settingsPressureToleranceCmH2O: number;
  readonly settingsTimeToleranceSeconds: number;
  readonly settingsDifferWindowDays: number;
  readonly contraindicationWindowDays: number;
  readonly coolDownDays: number;
  readonly dueDaysBySeverity: { readonly review: number; readonly urgent: number };
  readonly partKinds: readonly PartKind[];
}

const COMMON_PRACTICE = "common practice, no published source";
const OWN_CHOICE = "choice of this service, no published source";

/** The kinds of part that wear, with replacement after common practice; none of the intervals has a published source. */
const defaultPartKinds: readonly PartKind[] = [
  part("circuit", "Patient circuit", { replaceAfter: { months: 1 } }),
  part("dust-filter", "Dust filter", { replaceAfter: { months: 6 }, checkAfter: { days: 7 } }),
  part("bacterial-filter", "Bacterial filter", { replaceAfter: { months: 1 } }),
  part("mask", "Mask", { replaceAfter: { months: 12 } }),
  part("catheter-mount", "Catheter mount", { replaceAfter: { days: 14 } }),
  part("tracheostomy-circuit", "Tracheostomy circuit", { replaceAfter: { days: 14 } }),
];

/** The thresholds of a tenant that has set none; a tenant or a plan may override each. */
export const defaultThresholds: Thresholds = {
  version: "defaults-1",
  dayParts: [
    { code: "morning", from: "04:00", to: "12:00" },
    { code: "evening", from: "16:00", to: "04:00" },
  ],
  sittingRestGapMinutes: 10,
  minimumCycles: 1,
  minimumCoverageShare: 0.5,
  lowUseBelowShare: 0.5,
  lowUseWindowDays: 14,
  noRecentRecordDays: 14,
  longSittingMinutes: 30,
  longSittingWindowDays: 14,
  settingsPressureToleranceCmH2O: 1,
  settingsTimeToleranceSeconds: 0.1,
  settingsDifferWindowDays: 14,
  contraindicationWindowDays: 14,
  coolDownDays: 14,
  dueDaysBySeverity: { review: 7, urgent: 1 },
  partKinds: defaultPartKinds,
};

/** Where each default comes from, to be shown beside the number that it produced. */
export const thresholdSources: Record<Exclude<keyof Thresholds, "version">, string> = {
  dayParts: `Twice a day, morning and evening: ${COMMON_PRACTICE}. The clock ranges: ${OWN_CHOICE}.`,
  sittingRestGapMinutes: OWN_CHOICE,
  minimumCycles:
    "Any use counts, after Chatwin & Simonds 2020, Respir Care 65(2):135-143; a session that states no cycles counts too.",
  minimumCoverageShare: OWN_CHOICE,
  lowUseBelowShare: OWN_CHOICE,
  lowUseWindowDays: OWN_CHOICE,
  noRecentRecordDays: OWN_CHOICE,
  longSittingMinutes: COMMON_PRACTICE,
  longSittingWindowDays: OWN_CHOICE,
  settingsPressureToleranceCmH2O: OWN_CHOICE,
  settingsTimeToleranceSeconds: OWN_CHOICE,
  settingsDifferWindowDays: OWN_CHOICE,
  contraindicationWindowDays: OWN_CHOICE,
  coolDownDays: OWN_CHOICE,
  dueDaysBySeverity: COMMON_PRACTICE,
  partKinds: COMMON_PRACTICE,
};

function part(code: string, title: string, rule: Pick<PartKind, "replaceAfter" | "checkAfter">): PartKind {
  return { code, title, ...rule, leadDays: 7, source: COMMON_PRACTICE };
}
