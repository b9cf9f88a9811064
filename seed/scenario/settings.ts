import type { Habit, PartStory, ProfileStory, Settings } from "./story.ts";

/** Settings of the invented adults, within the published range of 10 to 50 cmH2O either way (Chatwin & Simonds 2020). */
export const adultSettings: Settings = {
  insufflationPressureCmH2O: 35,
  exsufflationPressureCmH2O: -40,
  insufflationSeconds: 1.6,
  exsufflationSeconds: 1.8,
  pauseSeconds: 1.2,
};

/** Settings of the invented child. */
export const childSettings: Settings = {
  insufflationPressureCmH2O: 20,
  exsufflationPressureCmH2O: -22,
  insufflationSeconds: 1.2,
  exsufflationSeconds: 1.2,
  pauseSeconds: 1,
};

/** The profile that most of the invented people have: morning and evening through a mask. */
export const usualByMask: ProfileStory = {
  slot: "A",
  role: "usual",
  interface: "mask",
  asked: ["morning", "evening"],
  settings: adultSettings,
};

/** Twice a day over `[fromDay, endDay)`, at times at which nobody doubts which part of the day is meant. */
export function twiceDaily(fromDay: number, endDay: number, morning = "08:00", evening = "19:30"): Habit[] {
  return [
    { fromDay, endDay, time: morning },
    { fromDay, endDay, time: evening },
  ];
}

/** A mask for the whole time and a circuit replaced every four weeks, so that nothing is due. */
export function partsInOrder(machine: string): PartStory[] {
  return [
    { kind: "mask", machine, fittedDays: [-90] },
    { kind: "circuit", machine, fittedDays: [-90, -62, -34, -6] },
  ];
}
