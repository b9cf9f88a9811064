/** A rule of the trade. */
export const COMMON_PRACTICE = "common practice, no published source";
const OWN_CHOICE = "choice of this service, no published source";

/** Where each default comes from, to be shown beside the number that it produced. */
export const thresholdSources = {
  disabledRules: OWN_CHOICE,
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
  pressureShortfallShare: OWN_CHOICE,
  pressureShortCyclesShare: OWN_CHOICE,
  pressureShortSessions: OWN_CHOICE,
  pressureLookbackSessions: OWN_CHOICE,
  peakCoughFlowReviewBelowLitresPerMinute:
    "160 L/min as adequate cough in adults: Panitch 2006, Curr Opin Pediatr 18:277; the flow under which devices were given in Chatwin & Simonds 2020, Respir Care 65(2):135-143.",
  peakCoughFlowInformationBelowLitresPerMinute:
    "270 L/min, below which cough-assist techniques are used in neuromuscular disease: AARC clinical practice guideline, Strickland 2013, Respir Care 58(12):2187-2193.",
  peakCoughFlowSessions: OWN_CHOICE,
  peakCoughFlowFromAgeYears:
    "Peak cough flow is measured from age 12 up: British Thoracic Society guideline, Hull 2012, Thorax 67 suppl 1:i1-i40; no equivalent for young children (Panitch 2006).",
  saturationReviewBelowPercent: OWN_CHOICE,
  saturationInformationBelowPercent:
    "95 %, below which hypoventilation or mucus is assumed until proven otherwise: Bach et al. 2015, Respir Care 60:477.",
  saturationWindowDays: OWN_CHOICE,
  infectionCourseDays: OWN_CHOICE,
  contraindicationWindowDays: OWN_CHOICE,
  screeningMonths: OWN_CHOICE,
  deviceIdleDays: OWN_CHOICE,
  serviceLeadDays: OWN_CHOICE,
  alertDays: OWN_CHOICE,
  alertWindowDays: OWN_CHOICE,
  clockDriftSeconds: OWN_CHOICE,
  coolDownDays: OWN_CHOICE,
  dueDaysBySeverity: COMMON_PRACTICE,
  escalateAfterDays: OWN_CHOICE,
  taskRouting: "The organisation's own.",
  partKinds: COMMON_PRACTICE,
  changeSignal:
    "Chart constants: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2; baseline of 20 known days: choice of this service. No published study shows that the signal predicts infection in this therapy.",
} as const satisfies Readonly<Record<string, string>>;

/** The name of one threshold. */
export type ThresholdName = keyof typeof thresholdSources;
