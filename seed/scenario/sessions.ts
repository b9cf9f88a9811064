import type { SessionMeasures } from "../../src/domain/session.ts";
import type { EpochMs, LocalDay } from "../../src/domain/time.ts";
import { instantOf, timeOfLoan } from "./moment.ts";
import { adultSettings, usualByMask } from "./settings.ts";
import type { Habit, Person, ProfileStory, Settings, User } from "./story.ts";
import { type Variation, variationOf } from "./variation.ts";

/** One session as it really happened: on which machine and when in truth. */
export interface PlayedSession {
  readonly userId: string;
  readonly serial: string;
  readonly startMs: EpochMs;
  readonly endMs: EpochMs;
  readonly measures: SessionMeasures;
}

const minuteMs = 60_000;
const startVariesMinutes = 8;

/**
 * All sessions of one user, sorted by start. What varies is drawn for each session from its person, day and time of day,
 * so a change to one story leaves every other session as it was. Without a machine in the house there is no session.
 */
export function sessionsOf(user: User & Pick<Person, "plan">, today: LocalDay): PlayedSession[] {
  const sessions: PlayedSession[] = [];
  for (const habit of user.habits) {
    for (const day of daysOf(habit)) {
      const varied = variationOf(`${user.id} ${day} ${habit.time}`);
      const exact = habit.exactMinutes !== undefined;
      const at = instantOf({ day, time: habit.time }, today, user.zone);
      const startMs = exact ? at : at + varied(-startVariesMinutes, startVariesMinutes) * minuteMs;
      const minutes = habit.exactMinutes ?? varied(9, 14);
      const loan = user.loans.find((one) => {
        const { startMs: from, endMs: to } = timeOfLoan(one, today, user.zone);
        return from <= startMs && startMs < to;
      });
      if (loan === undefined) continue;
      const profile = profileOf(user, habit.slot ?? "A");
      const settings = { ...profile.settings, ...habit.setOnMachine };
      const measures = { ...measuresOf(profile.slot, settings, minutes, varied), ...measuredOf(habit, settings) };
      sessions.push({ userId: user.id, serial: loan.serial, startMs, endMs: startMs + minutes * minuteMs, measures });
    }
  }
  return sessions.sort((a, b) => a.startMs - b.startMs);
}

function daysOf({ fromDay, endDay, everyDays = 1, except }: Habit): number[] {
  const days: number[] = [];
  for (let day = fromDay; day < endDay; day += everyDays) {
    const skipped = except !== undefined && day >= except.fromDay && (day - except.fromDay) % except.everyDays === 0;
    if (!skipped) days.push(day);
  }
  return days;
}

function profileOf(user: Pick<Person, "plan">, slot: "A" | "B"): Pick<ProfileStory, "slot" | "settings"> {
  const profiles = user.plan?.profiles ?? [usualByMask];
  return profiles.find((profile) => profile.slot === slot) ?? { slot, settings: adultSettings };
}

/** What the story says of the measures themselves. */
function measuredOf({ measured = {} }: Habit, set: Settings): SessionMeasures {
  const { reachedShare, ...others } = measured;
  if (reachedShare === undefined) return others;
  const [insufflation, exsufflation] = [set.insufflationPressureCmH2O, set.exsufflationPressureCmH2O].map((pressure) =>
    Math.round(pressure * reachedShare),
  ) as [number, number];
  return {
    ...others,
    achievedInsufflationPressureCmH2O: { median: insufflation, p5: insufflation - 3, p95: insufflation + 1 },
    achievedExsufflationPressureCmH2O: { median: exsufflation, p5: exsufflation - 1, p95: exsufflation + 3 },
  };
}

function measuresOf(slot: string, set: Settings, minutes: number, varied: Variation): SessionMeasures {
  const cyclesDelivered = minutes * 2 + varied(0, 4);
  const insufflation = set.insufflationPressureCmH2O - varied(0, 2);
  const exsufflation = set.exsufflationPressureCmH2O + varied(0, 2);
  return {
    profileSlot: slot,
    triggerMode: "patient-triggered",
    cyclesDelivered,
    cyclesTriggered: cyclesDelivered - varied(0, 5),
    setInsufflationPressureCmH2O: set.insufflationPressureCmH2O,
    setExsufflationPressureCmH2O: set.exsufflationPressureCmH2O,
    setInsufflationSeconds: set.insufflationSeconds,
    setExsufflationSeconds: set.exsufflationSeconds,
    setPauseSeconds: set.pauseSeconds,
    achievedInsufflationPressureCmH2O: { median: insufflation, p5: insufflation - 3, p95: insufflation + 1 },
    achievedExsufflationPressureCmH2O: { median: exsufflation, p5: exsufflation - 1, p95: exsufflation + 4 },
    insufflatedVolumeMillilitres: set.insufflationPressureCmH2O * 30 + varied(0, 20) * 10,
    peakCoughFlowLitresPerMinute: Math.round(210 - set.exsufflationPressureCmH2O * 2 + varied(0, 25)),
    leakLitresPerMinute: varied(8, 22),
    stopReason: "completed",
  };
}
