import { machines } from "./machines.ts";
import { people } from "./people.ts";
import { sessionsOf } from "./sessions.ts";
import { twiceDaily } from "./settings.ts";
import type { User } from "./story.ts";
import { uploadsOf } from "./uploads.ts";

/**
 * The use record in `seed/examples/`, for a first try: three days of the newcomer, read on 9 April 2026. She has had her
 * machine since January 2026, so it can be sent on any later day, and again, and adds nothing to anybody's tasks.
 */
export function exampleUseRecord(): string {
  const today = "2026-04-10";
  const [{ serial } = { serial: "" }] = people.find(({ id }) => id === "patient-newcomer")?.loans ?? [];
  const user: User = {
    id: "patient-newcomer",
    zone: "Europe/London",
    loans: [{ serial, from: { day: -3, time: "10:00" } }],
    habits: twiceDaily(-3, 0),
  };
  const machine = machines.find((one) => one.serial === serial);
  if (machine === undefined) throw new Error("the newcomer has no machine");
  const read = { ...machine, readings: { firstDay: -1, everyDays: 1, lastDay: -1, time: "21:45" } };
  const [upload] = uploadsOf(read, [user], sessionsOf(user, today), today);
  if (upload === undefined) throw new Error("the newcomer's machine was not read");
  return upload.text;
}
