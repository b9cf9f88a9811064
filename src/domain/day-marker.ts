import type { Absence } from "./absence.ts";
import { localDayOf } from "./local-day.ts";
import type { Picture } from "./picture.ts";
import type { Plan } from "./prescription.ts";
import { mergeSittings } from "./sitting.ts";
import type { LocalDay } from "./time.ts";

/** Something that happened on a day and explains a change in the line of days. */
export interface DayMarker {
  readonly kind:
    | "plan-began"
    | "plan-ended"
    | "plan-held"
    | "plan-resumed"
    | "settings-changed"
    | "machine-handed-over"
    | "machine-returned"
    | "part-fitted"
    | "contraindication-began"
    | "contraindication-ended"
    | "screened"
    | "infection-began"
    | "infection-over"
    | "absence-began"
    | "absence-over"
    | "died"
    | "long-sitting";
  readonly text: string;
}

type DatedMarker = readonly [LocalDay | undefined, DayMarker["kind"], string];

const absenceTexts: Readonly<Record<Absence["kind"], string>> = {
  hospital: "hospital stay",
  "device-away": "time without the device",
  holiday: "holiday",
};

/** What happened on which local day, as far as the picture tells; days on which nothing did are left out. */
export function dayMarkers(picture: Picture): ReadonlyMap<LocalDay, readonly DayMarker[]> {
  const markers = new Map<LocalDay, DayMarker[]>();
  const dated = [...therapyMarkers(picture), ...equipmentMarkers(picture), ...courseMarkers(picture)];
  for (const [day, kind, text] of dated) {
    if (day === undefined) continue;
    const sameDay = markers.get(day);
    if (sameDay === undefined) markers.set(day, [{ kind, text }]);
    else sameDay.push({ kind, text });
  }
  return markers;
}

function therapyMarkers({ plans, sessions, thresholds }: Picture): DatedMarker[] {
  // A draft asks for nothing, and a plan that was replaced before it began never did.
  const inForce = plans.filter(({ status, firstDay, endDay }) => status !== "draft" && firstDay !== endDay);
  const sittings = mergeSittings(sessions, thresholds.sittingRestGapMinutes);
  return [
    ...inForce.flatMap(planMarkers),
    ...sittings.flatMap(({ startMs, endMs, sessions: [first] }): DatedMarker[] => {
      const minutes = (endMs - startMs) / 60_000;
      if (minutes <= thresholds.longSittingMinutes) return [];
      return [[first?.localDay, "long-sitting", `A sitting of ${Math.round(minutes)} minutes`]];
    }),
  ];
}

function planMarkers({ planId, firstDay, endDay, holds, profiles }: Plan): DatedMarker[] {
  return [
    [firstDay, "plan-began", `Plan ${planId} began`],
    [endDay, "plan-ended", `Plan ${planId} ended`],
    ...holds.flatMap((hold): DatedMarker[] => [
      [hold.firstDay, "plan-held", `Plan ${planId} put on hold`],
      [hold.endDay, "plan-resumed", `Plan ${planId} taken up again`],
    ]),
    ...profiles
      .filter(({ fromDay }) => fromDay !== undefined && fromDay > firstDay)
      .map(
        ({ fromDay, role }): DatedMarker => [fromDay, "settings-changed", `Settings of the ${role} profile changed`],
      ),
  ];
}

function equipmentMarkers({ machineUses, parts, zone }: Picture): DatedMarker[] {
  return [
    ...machineUses.flatMap(({ deviceId, startMs, endMs }): DatedMarker[] => [
      [localDayOf(startMs, zone), "machine-handed-over", `Device ${deviceId} handed over`],
      [dayOf(endMs, zone), "machine-returned", `Device ${deviceId} returned`],
    ]),
    ...parts.map(({ fittedDay, kind }): DatedMarker => [fittedDay, "part-fitted", `${kind} fitted`]),
  ];
}

function courseMarkers(picture: Picture): DatedMarker[] {
  const { zone, contraindications, screenings, infections, absences, deceasedDay } = picture;
  return [
    ...contraindications.flatMap(({ title, startMs, endMs }): DatedMarker[] => [
      [localDayOf(startMs, zone), "contraindication-began", title],
      [dayOf(endMs, zone), "contraindication-ended", title],
    ]),
    ...screenings.map(({ day }): DatedMarker => [day, "screened", "Screened for contraindications"]),
    ...infections.flatMap(({ firstDay, endDay }): DatedMarker[] => [
      [firstDay, "infection-began", "Chest infection began"],
      [endDay, "infection-over", "Chest infection over"],
    ]),
    ...absences.flatMap(({ kind, firstDay, endDay }): DatedMarker[] => [
      [firstDay, "absence-began", `First day of a ${absenceTexts[kind]}`],
      [endDay, "absence-over", `Back after a ${absenceTexts[kind]}`],
    ]),
    [deceasedDay, "died", "Died"],
  ];
}

function dayOf(ms: number | undefined, zone: string): LocalDay | undefined {
  return ms === undefined ? undefined : localDayOf(ms, zone);
}
