import type { Resource } from "@medplum/fhirtypes";
import { addDays } from "../../src/domain/local-day.ts";
import type { Schedule } from "../../src/domain/prescription.ts";
import type { EpochMs, LocalDay } from "../../src/domain/time.ts";
import { holidayFlag, hospitalStay } from "../../src/fhir/absence.ts";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { machineResource, partResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { chestInfectionCondition } from "../../src/fhir/infection.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { screeningResponse } from "../../src/fhir/screening.ts";
import { machines } from "./machines.ts";
import { instantOf, isoOf, timeOfLoan } from "./moment.ts";
import { people } from "./people.ts";
import { careTeamId, organizationId, serviceResources } from "./service.ts";
import type { Person, PlanStory, ProfileStory } from "./story.ts";

/** A resource under the id that the story gives it. */
export type Identified = Resource & { readonly id: string };

/** The handover from whose start the day of an earlier load can be told. */
export const anchorUse = { id: "use-steady-machine-1", day: -90, zone: "Europe/London" };

/** Every resource of the story but sessions and uploads, each after those it refers to. */
export function storyResources(today: LocalDay): Identified[] {
  const registered = machines.filter((machine) => machine.unregistered !== true);
  return [
    ...serviceResources(),
    ...registered.map(({ serial, serviceDueDay: due }) =>
      machineResource({
        id: machineId(serial),
        serialNumber: serial,
        organizationId,
        ...(due === undefined ? {} : { serviceDueDay: addDays(today, due) }),
      }),
    ),
    ...people.flatMap((person) => [
      patientOf(person, today),
      ...machineUsesOf(person, today),
      ...partsOf(person, today),
      ...screeningsOf(person, today),
      // A decision to go on names the flag that it is about; any other flag comes up while the plan is in force.
      ...(person.plan?.overrideReason === undefined ? [] : flagsOf(person, today)),
      ...plansOf(person, today),
      ...(person.plan?.overrideReason === undefined ? flagsOf(person, today) : []),
      ...eventsOf(person, today),
    ]),
  ];
}

/** `patient-steady` is `steady` in the ids of everything that is hers. */
function shortId({ id }: Person): string {
  return id.replace("patient-", "");
}

function machineId(serial: string): string {
  return `machine-${serial.toLowerCase()}`;
}

function patientOf(person: Person, today: LocalDay): Identified {
  const { id, family, given, gender, birthDate, zone, diedOnDay } = person;
  const died = diedOnDay === undefined ? {} : { deceasedDateTime: addDays(today, diedOnDay) };
  return { ...patientResource({ id, family, given, birthDate, zone, organizationId, ...died }), gender };
}

function machineUsesOf(person: Person, today: LocalDay): Identified[] {
  return person.loans.map((loan, index) => {
    const { startMs, endMs } = timeOfLoan(loan, today, person.zone);
    return deviceUseStatement({
      id: `use-${shortId(person)}-machine-${index + 1}`,
      deviceId: machineId(loan.serial),
      patientId: person.id,
      start: isoOf(startMs),
      ...endOf(endMs),
    });
  });
}

function partsOf(person: Person, today: LocalDay): Identified[] {
  const fitted = person.parts.flatMap(({ kind, machine, fittedDays, soiledDay, checkedDay }) =>
    fittedDays.map((day) => {
      const startMs = instantOf({ day, time: "10:00" }, today, person.zone);
      const isLast = day === fittedDays.at(-1);
      return {
        kind,
        machine,
        startMs,
        report: {
          ...(isLast && soiledDay !== undefined ? { soiledDay: addDays(today, soiledDay) } : {}),
          ...(isLast && checkedDay !== undefined ? { checkedDay: addDays(today, checkedDay) } : {}),
        },
      };
    }),
  );
  const numbers = new Map<string, number>();
  return fitted.flatMap(({ kind, machine, startMs, report }): Identified[] => {
    const number = (numbers.get(kind) ?? 0) + 1;
    numbers.set(kind, number);
    const id = `part-${shortId(person)}-${kind}-${number}`;
    const next = fitted.find((one) => one.kind === kind && one.startMs > startMs)?.startMs ?? Number.POSITIVE_INFINITY;
    const loan = person.loans.find(({ serial }) => serial === machine);
    const returned = loan === undefined ? Number.POSITIVE_INFINITY : timeOfLoan(loan, today, person.zone).endMs;
    const end = endOf(Math.min(next, returned));
    return [
      partResource({ id, kind, machineId: machineId(machine) }),
      deviceUseStatement({
        id: `use-of-${id}`,
        deviceId: id,
        patientId: person.id,
        start: isoOf(startMs),
        ...end,
        ...report,
      }),
    ];
  });
}

function endOf(endMs: EpochMs): { end?: string } {
  return Number.isFinite(endMs) ? { end: isoOf(endMs) } : {};
}

/** The first plan under the id `plan-steady`, the one that replaced it under `plan-steady-2`. */
function plansOf(person: Person, today: LocalDay): Identified[] {
  const { plan, nextPlan } = person;
  if (plan === undefined) return [];
  const first = planOf(person, plan, "", today);
  if (nextPlan === undefined) return first;
  return [...first, ...planOf(person, nextPlan, "-2", today, `plan-${shortId(person)}`)];
}

function planOf(person: Person, story: PlanStory, suffix: string, today: LocalDay, replacesId?: string): Identified[] {
  const { fromDay, fromTime, endDay, heldFromDay, reviewDay, overrideReason } = story;
  const { plan, requests } = planResources({
    id: `plan-${shortId(person)}${suffix}`,
    patientId: person.id,
    status: statusOf(story),
    start:
      fromTime === undefined
        ? addDays(today, fromDay)
        : isoOf(instantOf({ day: fromDay, time: fromTime }, today, person.zone)),
    // The end of a FHIR Period that is a date is the last day inside.
    ...(endDay === undefined ? {} : { end: addDays(today, endDay - 1) }),
    ...(heldFromDay === undefined ? {} : { hold: { start: addDays(today, heldFromDay) } }),
    ...(reviewDay === undefined ? {} : { reviewDay: addDays(today, reviewDay) }),
    ...(replacesId === undefined ? {} : { replacesId }),
    ...(overrideReason === undefined
      ? {}
      : { overrides: [{ flagId: `flag-${shortId(person)}`, reason: overrideReason }] }),
    profiles: story.profiles.map((profile) => ({
      profileId: `profile-${shortId(person)}${suffix}-${profile.slot.toLowerCase()}`,
      role: profile.role,
      slot: profile.slot,
      interface: profile.interface,
      schedule: scheduleOf(profile),
      ...profile.settings,
    })),
  });
  return [...requests, { ...plan, careTeam: [{ reference: `CareTeam/${careTeamId}` }] }];
}

function statusOf({ endDay, heldFromDay }: PlanStory): "active" | "on-hold" | "completed" {
  if (endDay !== undefined) return "completed";
  return heldFromDay === undefined ? "active" : "on-hold";
}

function scheduleOf({ asked }: ProfileStory): Schedule {
  if (asked === "when-needed") return { kind: "when-needed" };
  return "timesPerDay" in asked ? { kind: "count", ...asked } : { kind: "day-parts", parts: asked };
}

/** Everybody with a plan was screened on the day before it, unless the story says otherwise. */
function screeningsOf(person: Person, today: LocalDay): Identified[] {
  const day = person.screenedOnDay ?? (person.plan === undefined ? "never" : person.plan.fromDay - 1);
  if (day === "never") return [];
  const authored = isoOf(instantOf({ day, time: "15:00" }, today, person.zone));
  return [screeningResponse({ id: `screening-${shortId(person)}`, patientId: person.id, authored, found: [] })];
}

function flagsOf(person: Person, today: LocalDay): Identified[] {
  const { id: patientId, zone, contraindication } = person;
  if (contraindication === undefined) return [];
  const { code, from } = contraindication;
  const start = isoOf(instantOf(from, today, zone));
  return [contraindicationFlag({ id: `flag-${shortId(person)}`, patientId, code, start })];
}

function eventsOf(person: Person, today: LocalDay): Identified[] {
  const { id: patientId, zone, hospitalStay: stay, chestInfection, holiday } = person;
  const short = shortId(person);
  const at = (moment: Parameters<typeof instantOf>[0]) => isoOf(instantOf(moment, today, zone));
  const events: Identified[] = [];
  if (stay !== undefined) {
    events.push(hospitalStay({ id: `encounter-${short}`, patientId, start: at(stay.from), end: at(stay.to) }));
  }
  if (chestInfection !== undefined) {
    const { fromDay, endDay } = chestInfection;
    // An abatement that is a date is the last day of it.
    const over = endDay === undefined ? {} : { abatement: addDays(today, endDay - 1) };
    const onset = addDays(today, fromDay);
    events.push(chestInfectionCondition({ id: `condition-${short}`, patientId, onset, ...over }));
  }
  if (holiday !== undefined) {
    const [start, end] = [addDays(today, holiday.fromDay), addDays(today, holiday.endDay - 1)];
    events.push(holidayFlag({ id: `holiday-${short}`, patientId, start, end }));
  }
  return events;
}
