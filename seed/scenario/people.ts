import { courseStories } from "./course-stories.ts";
import { equipmentStories } from "./equipment-stories.ts";
import { machineStories } from "./machine-stories.ts";
import { safetyStories } from "./safety-stories.ts";
import type { Person } from "./story.ts";
import { useStories } from "./use-stories.ts";

/** Everybody whom the invented service looks after. */
export const people: readonly Person[] = [
  ...useStories,
  ...safetyStories,
  ...machineStories,
  ...courseStories,
  ...equipmentStories,
];
