import { band, type Measure } from "../adherence.ts";
import { useAt } from "../device.ts";
import { addDays, daysBetween, localDayOf, startOfDayMs } from "../local-day.ts";
import { measuresOf } from "../measures.ts";
import { partStates } from "../part-state.ts";
import type { Picture } from "../picture.ts";
import { safetyRules } from "../rules/catalogue.ts";
import { deviceIdle } from "../rules/device-idle.ts";
import { findingsOf } from "../rules/examination.ts";
import type { EpochMs, LocalDay } from "../time.ts";
import { ageBand, interfaceGroup, type SideName, unknownKey } from "./dimensions.ts";
import type { Period } from "./figures.ts";
import { pictureAt } from "./picture-at.ts";
import { meetsDays, therapyRanges, therapySpan } from "./therapy-span.ts";

/** What the figures need of one person. */
export interface PersonFacts {
  /** Holds every session of the period and of what the rules look back to from its end. */
  readonly picture: Picture;
  /** Codes of interfaces by profile id. */
  readonly interfaces: Readonly<Record<string, string>>;
  /** First uses of devices since their issue, in the period or near it. */
  readonly firstUses: readonly FirstUse[];
  /** First actions on Tasks, in the period or near it. */
  readonly firstActions: readonly FirstAction[];
}

/** When a device was issued, and the local day of the first session on it since. */
export interface FirstUse {
  readonly issuedMs: EpochMs;
  readonly usedDay: LocalDay;
}

/** When a Task was raised, and when a person first acted on it. */
export interface FirstAction {
  readonly raisedMs: EpochMs;
  readonly actedMs: EpochMs;
}

/** What one person contributes to the figures of one period. */
export interface PersonPeriod {
  readonly organizationId?: string;
  /** The part of each dimension that the person is in. */
  readonly at: Readonly<Record<SideName, string>>;
  /** Codes of the figures that count the person. */
  readonly counted: readonly string[];
  /** The person's value for each median, in whole steps: tenths of per cent, or days. */
  readonly values: Readonly<Record<string, number>>;
  /** The same measures as in the person's own reports; empty for somebody not on therapy, whose measures count nothing. */
  readonly measures: readonly Measure[];
}

/**
 * What one person contributes. Measures are those of the person's own reports over the same days; states (devices, parts,
 * findings) are those of the moment the period ended, or of now while it lasts.
 */
export function personPeriod(person: PersonFacts, period: Period): PersonPeriod {
  const { picture } = person;
  const { firstDay } = period;
  // No day after today is counted, whatever a plan foresees.
  const endDay = [period.endDay, addDays(picture.today, 1)].sort()[0] ?? period.endDay;
  const ranges = therapyRanges(picture);
  const span = therapySpan(ranges);
  const onTherapy = meetsDays(ranges, firstDay, endDay);
  const isIn = (day: LocalDay | undefined) => day !== undefined && firstDay <= day && day < endDay;
  const measures = onTherapy ? measuresOf(picture, firstDay, period.endDay) : [];
  return {
    ...(picture.organizationId === undefined ? {} : { organizationId: picture.organizationId }),
    at: {
      age: ageBand(picture.birthDay, firstDay),
      interface: interfaceGroup(picture.plans, person.interfaces, endDay),
      diagnosis: unknownKey,
    },
    counted: [
      ...(onTherapy ? ["people-on-therapy"] : []),
      ...(isIn(span?.firstDay) ? ["new-starts"] : []),
      ...(isIn(span?.endDay) ? ["stops"] : []),
      ...measures.map(({ code, ratio }) => `${code}.${ratio === undefined ? "not-known" : band(ratio)}`),
      ...statesOf(picture, period),
    ],
    values: valuesOf(person, measures, isIn),
    measures,
  };
}

function statesOf(picture: Picture, { endDay }: Period): string[] {
  const atEnd = pictureAt(picture, Math.min(picture.nowMs, startOfDayMs(endDay, picture.zone) - 1));
  if (atEnd.deceasedDay !== undefined) return [];
  const { machineUses, nowMs } = atEnd;
  if (machineUses.length + atEnd.contraindications.length === 0) return [];
  return [
    ...(useAt(machineUses, nowMs) === undefined ? [] : ["devices-in-use"]),
    ...(findingsOf(deviceIdle, atEnd).length > 0 ? ["devices-idle"] : []),
    ...(partStates(atEnd).some(({ state }) => state === "overdue") ? ["parts-overdue"] : []),
    ...(safetyRules.some((rule) => findingsOf(rule, atEnd).some(({ safety }) => safety))
      ? ["open-safety-findings"]
      : []),
  ];
}

function valuesOf(
  { picture: { zone }, firstUses, firstActions }: PersonFacts,
  measures: readonly Measure[],
  isIn: (day: LocalDay) => boolean,
): Record<string, number> {
  const ratio = measures.find(({ code }) => code === "days-used")?.ratio;
  const toUse = firstUses
    .filter(({ usedDay }) => isIn(usedDay))
    // A session soon after midnight counts to the evening before, which may be the day before the issue.
    .map(({ issuedMs, usedDay }) => Math.max(0, daysBetween(localDayOf(issuedMs, zone), usedDay)));
  const toAction = firstActions
    .map(({ raisedMs, actedMs }) => ({ raised: localDayOf(raisedMs, zone), acted: localDayOf(actedMs, zone) }))
    .filter(({ acted }) => isIn(acted))
    .map(({ raised, acted }) => Math.max(0, daysBetween(raised, acted)));
  return {
    ...(ratio !== undefined && { "days-used.median": Math.round(ratio * 1000) }),
    ...(toUse.length > 0 && { "issue-to-first-use.median": Math.max(...toUse) }),
    ...(toAction.length > 0 && { "finding-to-action.median": Math.max(...toAction) }),
  };
}
