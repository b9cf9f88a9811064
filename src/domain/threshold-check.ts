import type { Interval, PartKind } from "./part.ts";
import { accepted, type Refusal, type Result, refused } from "./result.ts";
import { type ThresholdDefinition, thresholdDefinitions } from "./threshold-definitions.ts";
import type { ThresholdValues } from "./threshold-setting.ts";
import { isObject, objectOf, type Shape, text, unknownName, unknownNames, wrong } from "./threshold-shapes.ts";
import type { RoutingRule, Thresholds } from "./thresholds.ts";

/** At whose level values are set. */
export type ThresholdLevel = "tenant" | "plan";

/** What the check must know of the rules: `safety` ones cannot be switched off. */
export interface KnownRule {
  readonly code: string;
  readonly safety: boolean;
}

/** The text that says where a value comes from is as necessary as the value. */
const source: Shape = text(3, 500);

const anything: Shape = { allowed: "the value", check: () => [] };

/**
 * The values if each can be used at this level, or every reason why not: an unknown name (with the nearest known one), a
 * value of another kind or out of range, a source that is missing, a rule that is unknown or of safety. Whether values
 * fit each other is told by `checkThresholdsTogether`. No value at all is allowed: then nothing is overridden.
 */
export function checkThresholdValues(
  values: unknown,
  level: ThresholdLevel,
  rules: readonly KnownRule[],
): Result<ThresholdValues> {
  if (!isObject(values)) {
    return refused({ kind: "structure", detail: "Send an object: { name: { value, source } }.", at: "settings" });
  }
  const refusals = [
    ...unknownNames(values, Object.keys(thresholdDefinitions), "settings"),
    ...Object.entries(thresholdDefinitions).flatMap(([name, definition]) =>
      Object.hasOwn(values, name)
        ? refusalsOf(name, values[name], definition, { at: `settings.${name}`, level, rules })
        : [],
    ),
  ];
  return refusals.length === 0 ? accepted(values as ThresholdValues) : refused(...refusals);
}

function refusalsOf(
  name: string,
  entry: unknown,
  definition: ThresholdDefinition,
  place: { readonly at: string; readonly level: ThresholdLevel; readonly rules: readonly KnownRule[] },
): readonly Refusal[] {
  const { at, level, rules } = place;
  if (level === "plan" && definition.tenantOnly === true) {
    const detail = `"${name}" is the same for all plans: the day of a session must not depend on whose plan came first. Set it for the tenant.`;
    return [{ kind: "business-rule", detail, at }];
  }
  const shape = objectOf("{ value, source }", { value: anything, source });
  const outer = shape.check(entry, at);
  if (!isObject(entry) || !Object.hasOwn(entry, "value")) return outer;
  const inner = definition.check(entry.value, `${at}.value`);
  if (inner.length > 0) return [...outer, ...inner];
  return [...outer, ...refusalsOfCodes(name, entry.value, `${at}.value`, rules)];
}

/** What is well formed and still means nothing: codes of rules, and codes given twice. */
function refusalsOfCodes(name: string, value: unknown, at: string, rules: readonly KnownRule[]): readonly Refusal[] {
  const codes = rules.map((rule) => rule.code);
  const unknown = (code: string, where: string) => (codes.includes(code) ? [] : wrong(unknownName(code, codes), where));
  if (name === "disabledRules") {
    return (value as readonly string[]).flatMap((code, i) => {
      const safety = rules.some((rule) => rule.code === code && rule.safety);
      const detail = `"${code}" is a rule of safety and cannot be switched off. Leave it out.`;
      return safety ? [{ kind: "business-rule", detail, at: `${at}[${i}]` } as const] : unknown(code, `${at}[${i}]`);
    });
  }
  if (name === "taskRouting") {
    return (value as readonly RoutingRule[]).flatMap(({ rule }, i) =>
      rule === undefined ? [] : unknown(rule, `${at}[${i}].rule`),
    );
  }
  return name === "partKinds" ? refusalsOfParts(value as readonly PartKind[], at) : [];
}

function refusalsOfParts(kinds: readonly PartKind[], at: string): readonly Refusal[] {
  return kinds.flatMap((kind, i) => {
    const twice = kinds.slice(0, i).some((earlier) => earlier.code === kind.code);
    const soonest = kind.replaceAfter === undefined ? undefined : shortestDays(kind.replaceAfter);
    return [
      ...(twice ? wrong(`"${kind.code}" stands in the list already. Leave one out.`, `${at}[${i}].code`) : []),
      ...(soonest !== undefined && kind.leadDays >= soonest
        ? wrong(
            "Give fewer leadDays than the interval has days, or the part is due when fitted.",
            `${at}[${i}].leadDays`,
          )
        : []),
    ];
  });
}

function shortestDays(interval: Interval): number {
  return "days" in interval ? interval.days : interval.months * 28;
}

type NumberName = {
  [name in keyof Thresholds]: Thresholds[name] extends number ? name : never;
}[keyof Thresholds];

/** The first of each pair must not be above the second, or the two contradict. */
const notAbove: readonly (readonly [NumberName, NumberName, string])[] = [
  [
    "peakCoughFlowReviewBelowLitresPerMinute",
    "peakCoughFlowInformationBelowLitresPerMinute",
    "a flow that asks for a review would not even be shown",
  ],
  [
    "saturationReviewBelowPercent",
    "saturationInformationBelowPercent",
    "a saturation that asks for a review would not even be shown",
  ],
  ["pressureShortSessions", "pressureLookbackSessions", "so many are never looked at"],
  ["alertDays", "alertWindowDays", "the window has fewer days than are asked for"],
];

/**
 * Why the thresholds in force would contradict each other; empty when they do not. `own` are the values that are being
 * set: a refusal stands at the one of the two that is among them.
 */
export function checkThresholdsTogether(thresholds: Thresholds, own: ThresholdValues): readonly Refusal[] {
  const pairs = notAbove.flatMap(([lower, upper, why]): Refusal[] => {
    if (thresholds[lower] <= thresholds[upper]) return [];
    const named = Object.hasOwn(own, lower) || !Object.hasOwn(own, upper) ? lower : upper;
    const detail = `${lower} (${thresholds[lower]}) must not be above ${upper} (${thresholds[upper]}): ${why}. Change one of them.`;
    return [{ kind: "business-rule", detail, at: `settings.${named}.value` }];
  });
  const { urgent, review } = thresholds.dueDaysBySeverity;
  if (urgent <= review) return pairs;
  const detail = `What is urgent must not be due later (${urgent} days) than what is to be reviewed (${review} days).`;
  return [...pairs, { kind: "business-rule", detail, at: "settings.dueDaysBySeverity.value.urgent" }];
}
