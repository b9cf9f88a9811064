import type { Resource } from "@medplum/fhirtypes";
import { addDays } from "../../src/domain/local-day.ts";
import type { Schedule } from "../../src/domain/prescription.ts";
import type { EpochMs, LocalDay } from "../../src/domain/time.ts";
import { chestInfectionCondition, hospitalStay } from "../../src/fhir/absence.ts";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { machineResource, partResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/prescription.ts";
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
    ...registered.map(({ serial }) => machineResource({ id: machineId(serial), serialNumber: serial, organizationId })),
    ...people.flatMap((person) => [
      patientOf(person, today),
      ...machineUsesOf(person, today),
      ...partsOf(person, today),
      ...planOf(person, today),
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
  const fitted = person.parts.flatMap(({ kind, machine, fittedDays }) =>
    fittedDays.map((day) => ({ kind, machine, startMs: instantOf({ day, time: "10:00" }, today, person.zone) })),
  );
  const numbers = new Map<string, number>();
  return fitted.flatMap(({ kind, machine, startMs }): Identified[] => {
    const number = (numbers.get(kind) ?? 0) + 1;
    numbers.set(kind, number);
    const id = `part-${shortId(person)}-${kind}-${number}`;
    const next = fitted.find((one) => one.kind === kind && one.startMs > startMs)?.startMs ?? Number.POSITIVE_INFINITY;
    const loan = person.loans.find(({ serial }) => serial === machine);
    const returned = loan === undefined ? Number.POSITIVE_INFINITY : timeOfLoan(loan, today, person.zone).endMs;
    const end = endOf(Math.min(next, returned));
    return [
      partResource({ id, kind, machineId: machineId(machine) }),
      deviceUseStatement({ id: `use-of-${id}`, deviceId: id, patientId: person.id, start: isoOf(startMs), ...end }),
    ];
  });
}

function endOf(endMs: EpochMs): { end?: string } {
  return Number.isFinite(endMs) ? { end: isoOf(endMs) } : {};
}

function planOf(person: Person, today: LocalDay): Identified[] {
  const story = person.plan;
  if (story === undefined) return [];
  const { plan, requests } = planResources({
    id: `plan-${shortId(person)}`,
    patientId: person.id,
    status: statusOf(story),
    start: addDays(today, story.fromDay),
    // The end of a FHIR Period that is a date is the last day inside.
    ...(story.endDay === undefined ? {} : { end: addDays(today, story.endDay - 1) }),
    ...(story.heldFromDay === undefined ? {} : { hold: { start: addDays(today, story.heldFromDay) } }),
    profiles: story.profiles.map((profile) => ({
      profileId: `profile-${shortId(person)}-${profile.slot.toLowerCase()}`,
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

function eventsOf(person: Person, today: LocalDay): Identified[] {
  const { id: patientId, zone, contraindication, hospitalStay: stay, chestInfection } = person;
  const short = shortId(person);
  const at = (moment: Parameters<typeof instantOf>[0]) => isoOf(instantOf(moment, today, zone));
  const events: Identified[] = [];
  if (contraindication !== undefined) {
    const { code, from } = contraindication;
    events.push(contraindicationFlag({ id: `flag-${short}`, patientId, code, start: at(from) }));
  }
  if (stay !== undefined) {
    events.push(hospitalStay({ id: `encounter-${short}`, patientId, start: at(stay.from), end: at(stay.to) }));
  }
  if (chestInfection !== undefined) {
    const onset = addDays(today, chestInfection.fromDay);
    events.push(chestInfectionCondition({ id: `condition-${short}`, patientId, onset }));
  }
  return events;
}
