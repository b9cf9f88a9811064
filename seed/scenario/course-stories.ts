import { adultSettings, partsInOrder, twiceDaily, usualByMask } from "./settings.ts";
import type { Person, ProfileStory } from "./story.ts";

const issued = { day: -90, time: "10:00" };

/** A second profile for chest infections, to be used when needed. */
const duringInfection: ProfileStory = {
  slot: "B",
  role: "chest-infection",
  interface: "mask",
  asked: "when-needed",
  settings: { ...adultSettings, insufflationPressureCmH2O: 40, exsufflationPressureCmH2O: -45 },
};

/** People whose story is how they fare: a course of infection, what the machine measured, a plan that changed. */
export const courseStories: readonly Person[] = [
  {
    id: "patient-long-infection",
    family: "Copperwick",
    given: "Leopold",
    gender: "male",
    birthDate: "1966-06-16",
    zone: "Europe/London",
    story:
      "A chest infection that has lasted three weeks, the second profile with it: infection course, circuit overdue.",
    loans: [{ serial: "TG-0020", from: issued }],
    parts: [
      { kind: "mask", machine: "TG-0020", fittedDays: [-90] },
      { kind: "circuit", machine: "TG-0020", fittedDays: [-90, -62, -34, -20] },
    ],
    plan: { fromDay: -90, profiles: [usualByMask, duringInfection] },
    habits: [...twiceDaily(-90, 0), { fromDay: -21, endDay: 0, time: "14:00", slot: "B" }],
    chestInfection: { fromDay: -21 },
  },
  {
    id: "patient-after-infection",
    family: "Yarrowby",
    given: "Seraphina",
    gender: "female",
    birthDate: "1959-10-03",
    zone: "Europe/London",
    story: "Her chest infection ended four days ago, and the circuit of that time is still in use: part overdue.",
    loans: [{ serial: "TG-0021", from: issued }],
    parts: [
      { kind: "mask", machine: "TG-0021", fittedDays: [-90] },
      { kind: "circuit", machine: "TG-0021", fittedDays: [-90, -62, -34, -14] },
    ],
    plan: { fromDay: -90, profiles: [usualByMask, duringInfection] },
    habits: [...twiceDaily(-90, 0), { fromDay: -14, endDay: -4, time: "14:00", slot: "B" }],
    chestInfection: { fromDay: -14, endDay: -4 },
  },
  {
    id: "patient-mask-leak",
    family: "Dapplemere",
    given: "Quentin",
    gender: "male",
    birthDate: "1982-04-28",
    zone: "Europe/London",
    story: "For three days his mask has not sealed, and most cycles miss the set pressure: pressure not reached.",
    loans: [{ serial: "TG-0022", from: issued }],
    parts: partsInOrder("TG-0022"),
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: [
      ...twiceDaily(-90, -3),
      ...twiceDaily(-3, 0).map((habit) => ({ ...habit, measured: { reachedShare: 0.65 } })),
    ],
  },
  {
    id: "patient-weak-cough",
    family: "Ebbingham",
    given: "Rosalind",
    gender: "female",
    birthDate: "1977-01-09",
    zone: "Europe/London",
    story: "Her assisted peak cough flow has been about 140 L/min for a week: low peak cough flow.",
    loans: [{ serial: "TG-0023", from: issued }],
    parts: partsInOrder("TG-0023"),
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: [
      ...twiceDaily(-90, -7),
      ...twiceDaily(-7, 0).map((habit) => ({ ...habit, measured: { peakCoughFlowLitresPerMinute: 140 } })),
    ],
  },
  {
    id: "patient-low-saturation",
    family: "Fernacre",
    given: "Mortimer",
    gender: "male",
    birthDate: "1954-08-08",
    zone: "Europe/London",
    story: "On two mornings the oxygen saturation recorded with the session went down to 86 %: low saturation.",
    loans: [{ serial: "TG-0024", from: issued }],
    parts: partsInOrder("TG-0024"),
    plan: { fromDay: -90, profiles: [usualByMask] },
    habits: [
      { fromDay: -90, endDay: -4, time: "08:00" },
      { fromDay: -4, endDay: -2, time: "08:00", measured: { lowestSpo2Percent: 86 } },
      { fromDay: -2, endDay: 0, time: "08:00", measured: { lowestSpo2Percent: 96 } },
      { fromDay: -90, endDay: 0, time: "19:30" },
    ],
  },
  {
    id: "patient-more-use",
    family: "Gorsefield",
    given: "Winifred",
    gender: "female",
    birthDate: "1987-03-12",
    zone: "Europe/London",
    story: "Her plan is watched for change: from two sessions a day to five for six days: use rising.",
    loans: [{ serial: "TG-0025", from: issued }],
    parts: partsInOrder("TG-0025"),
    plan: { fromDay: -90, watched: true, profiles: [{ ...usualByMask, asked: { timesPerDay: 2 } }] },
    habits: [
      { fromDay: -90, endDay: 0, time: "08:00" },
      { fromDay: -90, endDay: 0, time: "19:30", except: { fromDay: -89, everyDays: 4 } },
      { fromDay: -6, endDay: 0, time: "11:00" },
      { fromDay: -6, endDay: 0, time: "14:00" },
      { fromDay: -6, endDay: 0, time: "16:30" },
    ],
  },
  {
    id: "patient-less-use",
    family: "Hollingmire",
    given: "Evander",
    gender: "male",
    birthDate: "1991-12-24",
    zone: "Europe/London",
    story: "His plan is watched for change: from five sessions a day to two, which still is enough: use falling.",
    loans: [{ serial: "TG-0026", from: issued }],
    parts: partsInOrder("TG-0026"),
    plan: { fromDay: -90, watched: true, profiles: [{ ...usualByMask, asked: { timesPerDay: 2 } }] },
    habits: [
      ...twiceDaily(-90, 0),
      { fromDay: -90, endDay: -8, time: "11:00" },
      { fromDay: -90, endDay: -8, time: "14:00", except: { fromDay: -88, everyDays: 4 } },
      { fromDay: -90, endDay: -8, time: "16:30" },
    ],
  },
  {
    id: "patient-changed-plan",
    family: "Islerush",
    given: "Philippa",
    gender: "female",
    birthDate: "1980-02-02",
    zone: "Europe/London",
    story: "Ten days ago at two o'clock a new plan with higher pressures replaced the old one: nothing to do.",
    loans: [{ serial: "TG-0027", from: issued }],
    parts: partsInOrder("TG-0027"),
    plan: { fromDay: -90, endDay: -10, profiles: [usualByMask] },
    nextPlan: {
      fromDay: -10,
      fromTime: "14:00",
      reviewDay: 80,
      profiles: [
        {
          ...usualByMask,
          settings: { ...adultSettings, insufflationPressureCmH2O: 40, exsufflationPressureCmH2O: -45 },
        },
      ],
    },
    habits: [
      { fromDay: -90, endDay: -9, time: "08:00" },
      { fromDay: -90, endDay: -10, time: "19:30" },
      ...[
        { fromDay: -9, endDay: 0, time: "08:00" },
        { fromDay: -10, endDay: 0, time: "19:30" },
      ].map((habit) => ({
        ...habit,
        setOnMachine: { insufflationPressureCmH2O: 40, exsufflationPressureCmH2O: -45 },
      })),
    ],
  },
];
