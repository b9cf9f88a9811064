import type { Absence } from "./absence.ts";
import type { RecordedAlert } from "./alert.ts";
import type { Contraindication } from "./contraindication.ts";
import type { ClockCheck, CoverageRange, MachineUse } from "./device.ts";
import type { FindingTask } from "./finding-task.ts";
import type { ChestInfection } from "./infection.ts";
import type { FittedPart } from "./part.ts";
import type { Plan } from "./prescription.ts";
import type { Screening } from "./screening.ts";
import type { Session } from "./session.ts";
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
  /** id of the managing Organization. */
  readonly organizationId?: string;
  readonly tracheostomy: boolean;
  readonly plans: readonly Plan[];
  /** Sessions of the window that rules look at, entered-in-error ones left out. */
  readonly sessions: readonly Session[];
  /** Start of the last session ever, also when older than the window. */
  readonly lastSessionStartMs?: EpochMs;
  readonly machineUses: readonly MachineUse[];
  /** Coverage of the machines above, not yet clipped to the times the patient had them. */
  readonly coverage: readonly CoverageRange[];
  readonly parts: readonly FittedPart[];
  readonly contraindications: readonly Contraindication[];
  readonly absences: readonly Absence[];
  readonly infections: readonly ChestInfection[];
  readonly screenings: readonly Screening[];
  /** Alerts of the window that rules look at. */
  readonly alerts: readonly RecordedAlert[];
  /** The latest reading of each machine's clock while the patient had it, as far as anybody noted one. */
  readonly clockChecks: readonly ClockCheck[];
  readonly tasks: readonly FindingTask[];
  readonly thresholds: Thresholds;
}
