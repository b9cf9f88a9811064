import { localDayOf } from "./local-day.ts";
import type { Picture } from "./picture.ts";
import { mergeSittings } from "./sitting.ts";
import type { LocalDay } from "./time.ts";

/** Something that happened on a day and explains a change in the line of days. */
export interface DayMarker {
  readonly kind: "plan-began" | "machine-handed-over" | "part-fitted" | "contraindication-began" | "long-sitting";
  readonly text: string;
}

/** What happened on which local day, as far as the picture tells; days on which nothing did are left out. */
export function dayMarkers(picture: Picture): ReadonlyMap<LocalDay, readonly DayMarker[]> {
  const { zone, thresholds } = picture;
  const markers = new Map<LocalDay, DayMarker[]>();
  const mark = (day: LocalDay, kind: DayMarker["kind"], text: string) => {
    markers.set(day, [...(markers.get(day) ?? []), { kind, text }]);
  };
  for (const plan of picture.plans) mark(plan.firstDay, "plan-began", `Plan ${plan.planId} began`);
  for (const use of picture.machineUses) {
    mark(localDayOf(use.startMs, zone), "machine-handed-over", `Device ${use.deviceId} handed over`);
  }
  for (const part of picture.parts) mark(part.fittedDay, "part-fitted", `${part.kind} fitted`);
  for (const flag of picture.contraindications) {
    mark(localDayOf(flag.startMs, zone), "contraindication-began", flag.title);
  }
  for (const sitting of mergeSittings(picture.sessions, thresholds.sittingRestGapMinutes)) {
    const minutes = (sitting.endMs - sitting.startMs) / 60_000;
    const [first] = sitting.sessions;
    if (minutes > thresholds.longSittingMinutes && first !== undefined) {
      mark(first.localDay, "long-sitting", `A sitting of ${Math.round(minutes)} minutes`);
    }
  }
  return markers;
}
