import { partsInOrder, twiceDaily, usualByMask } from "./settings.ts";
import type { Person, User } from "./story.ts";

const issued = { day: -90, time: "10:00" };
const swapped = { day: -20, time: "11:00" };

/** People whose story is a machine, its clock, its memory or its parts. */
export const machineStories: readonly Person[] = [
  {
    id: "patient-overdue-circuit",
    family: "Harrowbrook",
    given: "Melisande",
    gender: "female",
    birthDate: "1990-03-03",
    zone: "Europe/London",
    story: "Her circuit was fitted 75 days ago and lasts a month: part overdue.",
    loans: [{ serial: "TG-0013", from: issued }],
    parts: [
      { kind: "mask", machine: "TG-0013", fittedDays: [-90] },
      { kind: "circuit", machine: "TG-0013", fittedDays: [-75] },
    ],
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: twiceDaily(-90, 0),
  },
  {
    id: "patient-filter-due",
    family: "Hazelwhit",
    given: "Tobin",
    gender: "male",
    birthDate: "1967-07-07",
    zone: "Europe/London",
    story: "His bacterial filter will have been in for a month in a few days: part due.",
    loans: [{ serial: "TG-0014", from: issued }],
    parts: [...partsInOrder("TG-0014"), { kind: "bacterial-filter", machine: "TG-0014", fittedDays: [-82, -54, -26] }],
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: twiceDaily(-90, 0),
  },
  {
    id: "patient-silent",
    family: "Ravelstone",
    given: "Iolanthe",
    gender: "female",
    birthDate: "1985-12-01",
    zone: "Atlantic/Azores",
    story: "Lives on the Azores, and nothing has been read for three weeks: we do not know, which is not low use.",
    loans: [{ serial: "TG-0015", from: issued }],
    parts: partsInOrder("TG-0015"),
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: twiceDaily(-90, 0),
  },
  {
    id: "patient-swapped-early",
    family: "Tamsinford",
    given: "Roland",
    gender: "male",
    birthDate: "1973-02-14",
    zone: "Europe/London",
    story:
      "An early riser who exchanged machines with a late one: each session stays with whoever had the machine then.",
    loans: [
      { serial: "TG-0016", from: issued, to: swapped },
      { serial: "TG-0017", from: swapped },
    ],
    parts: [
      { kind: "circuit", machine: "TG-0016", fittedDays: [-90, -62, -34] },
      { kind: "circuit", machine: "TG-0017", fittedDays: [-20] },
    ],
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: twiceDaily(-90, 0, "06:30", "17:30"),
  },
  {
    id: "patient-swapped-late",
    family: "Inksworth",
    given: "Sunniva",
    gender: "female",
    birthDate: "1998-09-09",
    zone: "Europe/London",
    story: "The late riser of the exchange.",
    loans: [
      { serial: "TG-0017", from: issued, to: swapped },
      { serial: "TG-0016", from: swapped },
    ],
    parts: [
      { kind: "circuit", machine: "TG-0017", fittedDays: [-90, -62, -34] },
      { kind: "circuit", machine: "TG-0016", fittedDays: [-20] },
    ],
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: twiceDaily(-90, 0, "09:30", "20:30"),
  },
  {
    id: "patient-wrong-clock",
    family: "Owlpenny",
    given: "Thaddeus",
    gender: "male",
    birthDate: "1960-11-11",
    zone: "Europe/London",
    story: "A night owl whose machine is three hours fast: 01:20 reads as 04:20 and would count to the next morning.",
    loans: [{ serial: "TG-0018", from: issued }],
    parts: partsInOrder("TG-0018"),
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: twiceDaily(-90, 0, "09:00", "25:20"),
  },
  {
    id: "patient-newcomer",
    family: "Greenbarrow",
    given: "Avice",
    gender: "female",
    birthDate: "1995-05-25",
    zone: "Europe/London",
    story: "Has a machine and no plan yet; the use record in seed/examples is hers, so anybody can send it on any day.",
    loans: [{ serial: "TG-0019", from: { date: "2026-01-05T10:00:00Z" } }],
    parts: [],
    habits: [],
  },
];

/** Somebody uses a machine that the service never registered: its records match nobody. */
export const strangers: readonly User[] = [
  {
    id: "stranger",
    zone: "Europe/London",
    loans: [{ serial: "TG-0099", from: { day: -5, time: "10:00" } }],
    habits: twiceDaily(-5, -2),
  },
];
