import type { Machine } from "./story.ts";

const weekly = { firstDay: -85, everyDays: 7, lastDay: -1, time: "21:45" };

/** Every machine of the demo, all serial numbers invented. Memories are read once a week, the last time yesterday evening. */
export const machines: readonly Machine[] = [
  machine("TG-0001"),
  machine("TG-0002"),
  machine("TG-0003"),
  machine("TG-0004"),
  machine("TG-0005"),
  machine("TG-0006", { zone: "Europe/Dublin" }),
  machine("TG-0007"),
  machine("TG-0008"),
  machine("TG-0009"),
  machine("TG-0010"),
  // Read by the workshop once more after they came back.
  machine("TG-0011", { readings: { ...weekly, lastDay: -8 } }),
  machine("TG-0012", { readings: { ...weekly, lastDay: -22 } }),
  machine("TG-0013"),
  machine("TG-0014"),
  machine("TG-0015", { zone: "Atlantic/Azores", readings: { ...weekly, lastDay: -22 } }),
  machine("TG-0016"),
  machine("TG-0017"),
  machine("TG-0018", { clockAheadMinutes: 180, writesOffset: true }),
  machine("TG-0019", { readings: { ...weekly, lastDay: -100 } }),
  machine("TG-0020"),
  machine("TG-0021"),
  machine("TG-0022"),
  machine("TG-0023"),
  machine("TG-0024"),
  machine("TG-0025"),
  machine("TG-0026"),
  machine("TG-0027"),
  machine("TG-0028", { serviceDueDay: 12 }),
  machine("TG-0029", { alerts: { code: "E-17", text: "Pressure not built up", days: [-40, -6, -4, -2] } }),
  machine("TG-0030"),
  machine("TG-0031"),
  machine("TG-0032"),
  machine("TG-0033"),
  machine("TG-0034"),
  machine("TG-0035"),
  machine("TG-0099", { unregistered: true, readings: { ...weekly, firstDay: -2, lastDay: -2 } }),
];

function machine(serial: string, differs: Partial<Machine> = {}): Machine {
  return { serial, clockAheadMinutes: 0, zone: "Europe/London", readings: weekly, ...differs };
}
