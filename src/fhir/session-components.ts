import type { ObservationComponent } from "@medplum/fhirtypes";
import type { Session, SessionMeasures, Spread, TriggerMode } from "../domain/session.ts";
import { canonical } from "./terminology/canonical.ts";
import { valueInUnit } from "./unit.ts";

/** Our own codes of what a session measures: LOINC, SNOMED CT and MDC have none that fit this therapy. */
export const measureSystem = canonical("CodeSystem", "session-measure");

const ucum = "http://unitsofmeasure.org";

type NumericMeasure = {
  [K in keyof SessionMeasures]-?: NonNullable<SessionMeasures[K]> extends number ? K : never;
}[keyof SessionMeasures];

/** One numeric measure: its code, display and UCUM unit. */
interface NumericComponent {
  readonly field: NumericMeasure;
  readonly code: string;
  readonly display: string;
  readonly unit: string;
}

/** Numeric measures in the order in which they stand in the Observation. */
export const numericComponents: readonly NumericComponent[] = [
  { field: "cyclesDelivered", code: "cycles-delivered", display: "Cycles delivered", unit: "{cycle}" },
  { field: "cyclesTriggered", code: "cycles-triggered", display: "Cycles triggered by the patient", unit: "{cycle}" },
  {
    field: "setInsufflationPressureCmH2O",
    code: "set-insufflation-pressure",
    display: "Set insufflation pressure",
    unit: "cm[H2O]",
  },
  {
    field: "setExsufflationPressureCmH2O",
    code: "set-exsufflation-pressure",
    display: "Set exsufflation pressure",
    unit: "cm[H2O]",
  },
  { field: "setInsufflationSeconds", code: "set-insufflation-time", display: "Set insufflation time", unit: "s" },
  { field: "setExsufflationSeconds", code: "set-exsufflation-time", display: "Set exsufflation time", unit: "s" },
  { field: "setPauseSeconds", code: "set-pause-time", display: "Set pause time", unit: "s" },
  {
    field: "cyclesShortOfPressure",
    code: "cycles-short-of-pressure",
    display: "Cycles short of the set pressure",
    unit: "{cycle}",
  },
  { field: "insufflatedVolumeMillilitres", code: "insufflated-volume", display: "Insufflated volume", unit: "mL" },
  {
    field: "peakCoughFlowLitresPerMinute",
    code: "peak-cough-flow",
    display: "Assisted peak cough flow",
    unit: "L/min",
  },
  { field: "leakLitresPerMinute", code: "leak", display: "Leak", unit: "L/min" },
  { field: "lowestSpo2Percent", code: "lowest-spo2", display: "Lowest oxygen saturation while recorded", unit: "%" },
  { field: "meanSpo2Percent", code: "mean-spo2", display: "Mean oxygen saturation while recorded", unit: "%" },
  { field: "pulsePerMinute", code: "pulse", display: "Pulse while recorded", unit: "/min" },
];

/** Measures that are a median with percentiles. */
export const spreadComponents = [
  {
    field: "achievedInsufflationPressureCmH2O",
    code: "achieved-insufflation-pressure",
    display: "Achieved insufflation pressure",
  },
  {
    field: "achievedExsufflationPressureCmH2O",
    code: "achieved-exsufflation-pressure",
    display: "Achieved exsufflation pressure",
  },
] as const;

/** The numbers of a spread, each with the end of its code. */
export const spreadStatistics = [
  { field: "median", suffix: "median", display: "median over cycles" },
  { field: "p5", suffix: "p5", display: "5th percentile over cycles" },
  { field: "p95", suffix: "p95", display: "95th percentile over cycles" },
] as const;

/** Measures that are words. */
export const wordComponents = [
  { field: "profileSlot", code: "profile-slot", display: "Profile slot of the device in use" },
  { field: "triggerMode", code: "trigger-mode", display: "How cycles were started" },
  { field: "stopReason", code: "stop-reason", display: "Why the session stopped" },
] as const;

function quantityComponent(code: string, display: string, value: number, unit: string): ObservationComponent {
  return {
    code: { coding: [{ system: measureSystem, code, display }] },
    valueQuantity: { value, unit, system: ucum, code: unit },
  };
}

/** The components of a session's measures; what was not recorded has none. */
export function componentsOf(session: Session): ObservationComponent[] {
  const components: ObservationComponent[] = [];
  for (const { field, code, display, unit } of numericComponents) {
    const value = session[field];
    if (value !== undefined) components.push(quantityComponent(code, display, value, unit));
  }
  for (const { field, code, display } of spreadComponents) {
    const spread = session[field];
    for (const one of spreadStatistics) {
      const value = spread?.[one.field];
      if (value === undefined) continue;
      components.push(quantityComponent(`${code}-${one.suffix}`, `${display}, ${one.display}`, value, "cm[H2O]"));
    }
  }
  for (const { field, code, display } of wordComponents) {
    const value = session[field];
    if (value !== undefined)
      components.push({ code: { coding: [{ system: measureSystem, code, display }] }, valueString: value });
  }
  return components;
}

/** Reads components back, in our units whatever they were sent in; codes that are not ours are passed over. */
export function measuresOf(components: readonly ObservationComponent[]): SessionMeasures {
  const byCode = new Map<string, ObservationComponent>();
  for (const component of components) {
    for (const coding of component.code.coding ?? []) {
      if (coding.system === measureSystem && coding.code !== undefined) byCode.set(coding.code, component);
    }
  }
  const number = (code: string, unit: string) => valueInUnit(byCode.get(code)?.valueQuantity, unit);
  const found: Record<string, unknown> = {};
  for (const { field, code, unit } of numericComponents) {
    const value = number(code, unit);
    if (value !== undefined) found[field] = value;
  }
  for (const { field, code } of spreadComponents) {
    const spread = spreadOf((suffix) => number(`${code}-${suffix}`, "cm[H2O]"));
    if (spread !== undefined) found[field] = spread;
  }
  for (const { field, code } of wordComponents) {
    const value = byCode.get(code)?.valueString;
    if (value !== undefined) found[field] = field === "triggerMode" ? (value as TriggerMode) : value;
  }
  return found as SessionMeasures;
}

function spreadOf(read: (suffix: string) => number | undefined): Spread | undefined {
  const [median, p5, p95] = [read("median"), read("p5"), read("p95")];
  if (median === undefined) return undefined;
  return { median, ...(p5 === undefined ? {} : { p5 }), ...(p95 === undefined ? {} : { p95 }) };
}
