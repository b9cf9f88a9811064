import { checkDayParts } from "./day-part.ts";
import type { DayPart } from "./prescription.ts";
import {
  listOf,
  numberAboveZero,
  numberFrom,
  objectOf,
  oneOf,
  type Shape,
  share,
  text,
  textLike,
  wholeNumber,
  yesOrNo,
} from "./threshold-shapes.ts";
import type { ThresholdName } from "./threshold-sources.ts";

/** What one threshold is measured in and what it may be; the limits are choices of this service, to catch slips. */
export interface ThresholdDefinition extends Shape {
  /** UCUM (https://ucum.org/ucum), annotations included; absent where the value is no number. */
  readonly unit?: string;
  /** Set for the tenant alone: no plan may have its own. */
  readonly tenantOnly?: true;
}

const id = "[A-Za-z0-9\\-.]{1,64}";
const code = textLike(
  /^(?=.{1,64}$)[a-z0-9]+(-[a-z0-9]+)*$/,
  "a code of lower-case letters, digits and hyphens, at most 64",
);
const source = text(3, 500);
const days = wholeNumber(1, 365);
const leadDays = wholeNumber(0, 365);
const clock = text(5, 5);
const flow = numberFrom(1, 1_000);
const saturation = numberFrom(50, 100);

const interval: Shape = {
  allowed: "{ months } of 1 to 120 or { days } of 1 to 3650",
  check: (value, at) => {
    const inMonths = typeof value === "object" && value !== null && "months" in value;
    const shape: Shape = inMonths
      ? objectOf(interval.allowed, { months: wholeNumber(1, 120) })
      : objectOf(interval.allowed, { days: wholeNumber(1, 3_650) });
    return shape.check(value, at);
  },
};

const partKind = objectOf(
  "a kind of part with code, title, leadDays, source and its intervals",
  { code, title: text(1, 100), leadDays, source },
  {
    replaceAfter: interval,
    replaceAfterSessions: wholeNumber(1, 100_000),
    replaceAfterHours: numberAboveZero(100_000),
    checkAfter: interval,
    infectionShare: share,
    replaceAfterInfection: yesOrNo,
    tracheostomyShare: share,
  },
);

const owner = textLike(
  new RegExp(`^(CareTeam|Organization|Practitioner|PractitionerRole)/${id}$`),
  "a reference CareTeam/<id>, Organization/<id>, Practitioner/<id> or PractitionerRole/<id>",
);

const routing = objectOf(
  "{ owner } and, where it is not for all, { rule } and { organizationId }",
  { owner },
  { rule: code, organizationId: textLike(new RegExp(`^${id}$`), "the id of an Organization") },
);

const dayPartList = listOf(
  objectOf("a day part { code, from, to } in clock times HH:MM", { code, from: clock, to: clock }),
  12,
);

const dayParts: Shape = {
  ...dayPartList,
  check: (value, at) => {
    const refusals = dayPartList.check(value, at);
    if (refusals.length > 0) return refusals;
    const checked = checkDayParts(value as readonly DayPart[]);
    return checked.ok ? [] : checked.refusals.map((one) => ({ ...one, at: one.at?.replace(/^dayParts/, at) ?? at }));
  },
};

const changeSignal = objectOf("all of on, method, baselineDays and the numbers of the methods", {
  on: yesOrNo,
  method: oneOf(["xmr", "xmr-2.66", "ewma", "cusum"]),
  baselineDays: wholeNumber(10, 365),
  ewmaLambda: share,
  ewmaWidth: numberAboveZero(10),
  cusumSlack: numberFrom(0, 10),
  cusumDecision: numberAboveZero(100),
});

/** Every threshold that can be set. */
export const thresholdDefinitions: Readonly<Record<ThresholdName, ThresholdDefinition>> = {
  disabledRules: listOf(code, 100),
  dayParts: { ...dayParts, tenantOnly: true },
  sittingRestGapMinutes: { unit: "min", ...numberFrom(0, 240) },
  minimumCycles: { unit: "{cycle}", ...wholeNumber(1, 1_000) },
  minimumCoverageShare: { unit: "1", ...share },
  lowUseBelowShare: { unit: "1", ...share },
  lowUseWindowDays: { unit: "d", ...days },
  noRecentRecordDays: { unit: "d", ...days },
  longSittingMinutes: { unit: "min", ...numberAboveZero(1_440) },
  longSittingWindowDays: { unit: "d", ...days },
  settingsPressureToleranceCmH2O: { unit: "cm[H2O]", ...numberFrom(0, 30) },
  settingsTimeToleranceSeconds: { unit: "s", ...numberFrom(0, 10) },
  settingsDifferWindowDays: { unit: "d", ...days },
  pressureShortfallShare: { unit: "1", ...share },
  pressureShortCyclesShare: { unit: "1", ...share },
  pressureShortSessions: { unit: "{session}", ...wholeNumber(1, 100) },
  pressureLookbackSessions: { unit: "{session}", ...wholeNumber(1, 100) },
  peakCoughFlowReviewBelowLitresPerMinute: { unit: "L/min", ...flow },
  peakCoughFlowInformationBelowLitresPerMinute: { unit: "L/min", ...flow },
  peakCoughFlowSessions: { unit: "{session}", ...wholeNumber(1, 100) },
  peakCoughFlowFromAgeYears: { unit: "a", ...wholeNumber(0, 120) },
  saturationReviewBelowPercent: { unit: "%", ...saturation },
  saturationInformationBelowPercent: { unit: "%", ...saturation },
  saturationWindowDays: { unit: "d", ...days },
  infectionCourseDays: { unit: "d", ...days },
  contraindicationWindowDays: { unit: "d", ...days },
  screeningMonths: { unit: "mo", ...wholeNumber(1, 120) },
  deviceIdleDays: { unit: "d", ...wholeNumber(1, 730) },
  serviceLeadDays: { unit: "d", ...leadDays },
  alertDays: { unit: "d", ...days },
  alertWindowDays: { unit: "d", ...days },
  clockDriftSeconds: { unit: "s", ...wholeNumber(1, 86_400) },
  coolDownDays: { unit: "d", ...days },
  dueDaysBySeverity: {
    unit: "d",
    ...objectOf("{ review, urgent }, each a whole number from 1 to 365", { review: days, urgent: days }),
  },
  escalateAfterDays: { unit: "d", ...days },
  taskRouting: listOf(routing, 500),
  partKinds: listOf(partKind, 100),
  changeSignal,
};
