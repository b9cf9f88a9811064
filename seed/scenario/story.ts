/**
 * The words in which the demo scenario is told. A story is data: who somebody is, what was prescribed, what they do on
 * which days and what happens to them. `sessions.ts`, `uploads.ts` and `resources.ts` turn it into records.
 * Days are whole local days relative to the day of loading: 0 is that day, -1 the day before. Ranges are half-open.
 */

/** A wall-clock time on a day, in the person's zone. `25:20` is 01:20 of the next day, as in a timetable. */
export interface Moment {
  readonly day: number;
  readonly time: string;
}

/** The settings of one profile slot; exsufflation is suction, so its pressure is negative. */
export interface Settings {
  readonly insufflationPressureCmH2O: number;
  readonly exsufflationPressureCmH2O: number;
  readonly insufflationSeconds: number;
  readonly exsufflationSeconds: number;
  readonly pauseSeconds: number;
}

/** One prescribed profile. */
export interface ProfileStory {
  readonly slot: "A" | "B";
  readonly role: "usual" | "chest-infection";
  readonly interface: "mask" | "mouthpiece" | "tracheostomy-adapter";
  readonly asked: readonly ("morning" | "evening")[] | "when-needed" | { readonly timesPerDay: number };
  readonly settings: Settings;
}

/** The therapy plan of a person. */
export interface PlanStory {
  readonly fromDay: number;
  /** First day on which it is no longer in force; the plan is then completed. */
  readonly endDay?: number;
  /** On hold since this day. */
  readonly heldFromDay?: number;
  /** When in the day it came into force, where that was in the middle of one. */
  readonly fromTime?: string;
  /** The day by which somebody was to look at it again. */
  readonly reviewDay?: number;
  /** Why therapy goes on although the contraindication of the story is flagged. */
  readonly overrideReason?: string;
  /** Its number of sessions a day is watched for change. */
  readonly watched?: true;
  readonly profiles: readonly ProfileStory[];
}

/** Something done about the same time on each day of `[fromDay, endDay)`. */
export interface Habit {
  readonly fromDay: number;
  readonly endDay: number;
  readonly time: string;
  /** Only on every n-th day, the first included; every day when absent. */
  readonly everyDays?: number;
  /** Left out on `fromDay` and every n-th day after it. */
  readonly except?: { readonly fromDay: number; readonly everyDays: number };
  /** Profile slot chosen on the machine; `A` when absent. */
  readonly slot?: "A" | "B";
  /** What somebody set on the machine instead of the prescribed values. */
  readonly setOnMachine?: Partial<Settings>;
  /** Exactly this long and exactly at `time`; otherwise both vary a little from day to day. */
  readonly exactMinutes?: number;
  /** What the machine measured, where that is the story. */
  readonly measured?: {
    readonly peakCoughFlowLitresPerMinute?: number;
    readonly lowestSpo2Percent?: number;
    /** Share of the set pressures that was reached. */
    readonly reachedShare?: number;
  };
}

/** A machine in somebody's hands; without `to` it is still there. */
export interface Loan {
  readonly serial: string;
  readonly from: Moment | { readonly date: string };
  readonly to?: Moment;
}

/** Parts of one kind, each replacing the one before on the day given. */
export interface PartStory {
  readonly kind: string;
  readonly machine: string;
  readonly fittedDays: readonly number[];
  /** The day on which the last of them was reported soiled or damaged. */
  readonly soiledDay?: number;
  /** The day on which the last of them was checked. */
  readonly checkedDay?: number;
}

/** Somebody who uses a machine, known to the service or not. */
export interface User {
  readonly id: string;
  readonly zone: string;
  readonly loans: readonly Loan[];
  readonly habits: readonly Habit[];
}

/** One invented person whom the service looks after. */
export interface Person extends User {
  readonly family: string;
  readonly given: string;
  readonly gender: "female" | "male" | "other";
  readonly birthDate: string;
  /** What happens, in one sentence, and what a reader of the caseload should see of it. */
  readonly story: string;
  readonly parts: readonly PartStory[];
  readonly plan?: PlanStory;
  /** The plan that replaced it. */
  readonly nextPlan?: PlanStory;
  /** The day of the screening for contraindications before the plan; `never` where nobody did one. */
  readonly screenedOnDay?: number | "never";
  readonly contraindication?: { readonly code: string; readonly from: Moment };
  readonly hospitalStay?: { readonly from: Moment; readonly to: Moment };
  readonly holiday?: { readonly fromDay: number; readonly endDay: number };
  readonly chestInfection?: { readonly fromDay: number; readonly endDay?: number };
  readonly diedOnDay?: number;
}

/** One machine and when its memory is read. */
export interface Machine {
  readonly serial: string;
  /** Not entered in the service's register, so that its records match nobody. */
  readonly unregistered?: true;
  /** How far the machine's clock is ahead of UTC; it knows no summer time. */
  readonly clockAheadMinutes: number;
  /** It writes its times with an offset, so that anybody can tell how far its clock is off; most show a bare clock. */
  readonly writesOffset?: true;
  /** The day by which it must be serviced. */
  readonly serviceDueDay?: number;
  /** An alert that it recorded at noon of each of these days, under its own code. */
  readonly alerts?: { readonly code: string; readonly text: string; readonly days: readonly number[] };
  readonly zone: string;
  readonly readings: {
    readonly firstDay: number;
    readonly everyDays: number;
    readonly lastDay: number;
    readonly time: string;
  };
}
