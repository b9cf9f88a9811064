import type { PartKind } from "./part.ts";
import type { DayPart } from "./prescription.ts";
import { COMMON_PRACTICE, type ThresholdName, thresholdSources } from "./threshold-sources.ts";

/** Who is asked first about the Tasks of a rule, of the patients of an organisation; what is left out fits all. */
export interface RoutingRule {
  readonly rule?: string;
  readonly organizationId?: string;
  /** `Type/id` of a CareTeam, Organization, Practitioner or PractitionerRole. */
  readonly owner: string;
}

/** How the number of sessions a day is watched for change; off unless somebody switches it on. */
export interface ChangeSignalSettings {
  readonly on: boolean;
  /** `xmr`: individuals chart with the exact constant 3/1.128; `xmr-2.66`: with the rounded constant of NHS charts. */
  readonly method: "xmr" | "xmr-2.66" | "ewma" | "cusum";
  /** Known days from which centre and spread are taken and then frozen. */
  readonly baselineDays: number;
  /** Weight of the newest value, above 0 up to 1. */
  readonly ewmaLambda: number;
  /** Width of the limits in standard deviations. */
  readonly ewmaWidth: number;
  /** Slack and decision interval in standard deviations. */
  readonly cusumSlack: number;
  readonly cusumDecision: number;
}

/** Everything the rules can be told. All are configuration; the defaults name their source beside each. */
export interface Thresholds {
  /** Which settings these are made of, for instance `defaults-2/tenant-3/plan-1`. */
  readonly version: string;
  /** Where each value comes from, to be shown beside it. */
  readonly sources: Readonly<Record<ThresholdName, string>>;
  /** Codes of rules that are switched off; those of safety cannot be. */
  readonly disabledRules: readonly string[];
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
  /** A cycle is short of pressure when its peak falls short of the set pressure by more than this share. */
  readonly pressureShortfallShare: number;
  /** A session is short of pressure when more than this share of its cycles is. */
  readonly pressureShortCyclesShare: number;
  readonly pressureShortSessions: number;
  /** Of how many last sessions. */
  readonly pressureLookbackSessions: number;
  readonly peakCoughFlowReviewBelowLitresPerMinute: number;
  readonly peakCoughFlowInformationBelowLitresPerMinute: number;
  readonly peakCoughFlowSessions: number;
  readonly peakCoughFlowFromAgeYears: number;
  readonly saturationReviewBelowPercent: number;
  readonly saturationInformationBelowPercent: number;
  readonly saturationWindowDays: number;
  readonly infectionCourseDays: number;
  readonly contraindicationWindowDays: number;
  readonly screeningMonths: number;
  readonly deviceIdleDays: number;
  readonly serviceLeadDays: number;
  readonly alertDays: number;
  readonly alertWindowDays: number;
  readonly clockDriftSeconds: number;
  readonly coolDownDays: number;
  readonly dueDaysBySeverity: { readonly review: number; readonly urgent: number };
  /** An open Task past its due day is raised by one step of priority at once, and by another each time this many days pass. */
  readonly escalateAfterDays: number;
  readonly taskRouting: readonly RoutingRule[];
  readonly partKinds: readonly PartKind[];
  readonly changeSignal: ChangeSignalSettings;
}

/** The kinds of part that wear, with replacement after common practice; none of the intervals has a published source. */
const defaultPartKinds: readonly PartKind[] = [
  part("circuit", "Patient circuit", {
    replaceAfter: { months: 1 },
    infectionShare: 0.5,
    replaceAfterInfection: true,
    tracheostomyShare: 0.5,
  }),
  part("dust-filter", "Dust filter", { replaceAfter: { months: 6 }, checkAfter: { days: 7 } }),
  part("bacterial-filter", "Bacterial filter", { replaceAfter: { months: 1 } }),
  part("mask", "Mask", { replaceAfter: { months: 12 } }),
  part("catheter-mount", "Catheter mount", { replaceAfter: { days: 14 } }),
  part("tracheostomy-circuit", "Tracheostomy circuit", { replaceAfter: { days: 14 } }),
];

/** The thresholds of a tenant that has set none; a tenant or a plan may override each. */
export const defaultThresholds: Thresholds = {
  version: "defaults-2",
  sources: thresholdSources,
  disabledRules: [],
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
  pressureShortfallShare: 0.2,
  pressureShortCyclesShare: 0.3,
  pressureShortSessions: 3,
  pressureLookbackSessions: 5,
  peakCoughFlowReviewBelowLitresPerMinute: 160,
  peakCoughFlowInformationBelowLitresPerMinute: 270,
  peakCoughFlowSessions: 3,
  peakCoughFlowFromAgeYears: 12,
  saturationReviewBelowPercent: 90,
  saturationInformationBelowPercent: 95,
  saturationWindowDays: 14,
  infectionCourseDays: 14,
  contraindicationWindowDays: 14,
  screeningMonths: 12,
  deviceIdleDays: 60,
  serviceLeadDays: 30,
  alertDays: 3,
  alertWindowDays: 7,
  clockDriftSeconds: 300,
  coolDownDays: 14,
  dueDaysBySeverity: { review: 7, urgent: 1 },
  escalateAfterDays: 7,
  taskRouting: [],
  partKinds: defaultPartKinds,
  changeSignal: {
    on: false,
    method: "xmr",
    baselineDays: 20,
    ewmaLambda: 0.2,
    ewmaWidth: 3,
    cusumSlack: 0.5,
    cusumDecision: 5,
  },
};

function part(code: string, title: string, rule: Omit<PartKind, "code" | "title" | "leadDays" | "source">): PartKind {
  return { code, title, ...rule, leadDays: 7, source: COMMON_PRACTICE };
}
