import type { Absence } from "./absence.ts";
import type { Contraindication } from "./contraindication.ts";
import type { CoverageRange, DeviceUse } from "./device.ts";
import type { FittedPart } from "./part.ts";
import type { Plan } from "./prescription.ts";
import type { Session } from "./session.ts";
import type { FindingTask } from "./task.ts";
import type { Thresholds } from "./thresholds.ts";
import type { EpochMs, LocalDay } from "./time.ts";

/** Everything one review reads about one patient. Lists are sorted by start; empty lists mean nothing is recorded. */
export interface Picture {
  readonly patientId: string;
  /** IANA zone of the patient. */
  readonly zone: string;
  readonly nowMs: EpochMs;
  /** Local day of `nowMs` in `zone`. */
  readonly today: LocalDay;
  readonly birthDay?: LocalDay;
  readonly deceasedDay?: LocalDay;
  readonly tracheostomy: boolean;
  readonly plans: readonly Plan[];
  /** Sessions of the window that rules look at, entered-in-error ones left out. */
  readonly sessions: readonly Session[];
  /** Start of the last session ever, also when older than the window. */
  readonly lastSessionStartMs?: EpochMs;
  readonly machineUses: readonly DeviceUse[];
  /** Coverage of the machines above, not yet clipped to the times the patient had them. */
  readonly coverage: readonly CoverageRange[];
  readonly parts: readonly FittedPart[];
  readonly contraindications: readonly Contraindication[];
  readonly absences: readonly Absence[];
  readonly tasks: readonly FindingTask[];
  readonly thresholds: Thresholds;
}
