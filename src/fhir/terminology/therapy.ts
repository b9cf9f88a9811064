import type { TaskStep } from "../../domain/task.ts";
import { canonical } from "./canonical.ts";

/** Our own code systems of the therapy. */
export const therapySystems = {
  deviceKind: canonical("CodeSystem", "device-kind"),
  profileRole: canonical("CodeSystem", "profile-role"),
  settingParameter: canonical("CodeSystem", "setting-parameter"),
  interface: canonical("CodeSystem", "interface"),
  findingRule: canonical("CodeSystem", "finding-rule"),
  taskReason: canonical("CodeSystem", "task-reason"),
  taskInput: canonical("CodeSystem", "task-input"),
  therapy: canonical("CodeSystem", "therapy"),
  serviceActivity: canonical("CodeSystem", "service-activity"),
} as const;

/** The machine, and the kinds of part that wear. */
export const deviceKinds: Readonly<Record<string, string>> = {
  machine: "Insufflation-exsufflation device",
  circuit: "Patient circuit",
  "dust-filter": "Dust filter",
  "bacterial-filter": "Bacterial filter",
  mask: "Mask",
  "catheter-mount": "Catheter mount",
  "tracheostomy-circuit": "Tracheostomy circuit",
};

/** Ways in which the device meets the person. */
export const interfaces: Readonly<Record<string, string>> = {
  mask: "Mask",
  "mask-oronasal": "Oronasal mask",
  "mask-nasal": "Nasal mask",
  mouthpiece: "Mouthpiece",
  "tracheostomy-adapter": "Tracheostomy adapter",
  "endotracheal-adapter": "Endotracheal adapter",
};

/** What a settings profile is for. */
export const profileRoles: Readonly<Record<string, string>> = {
  usual: "Usual",
  "chest-infection": "During a chest infection",
};

/** Setting parameters of a DeviceRequest with the profile's field each stands for and its UCUM unit. */
export const settingParameters = [
  {
    code: "insufflation-pressure",
    display: "Insufflation pressure",
    field: "insufflationPressureCmH2O",
    unit: "cm[H2O]",
  },
  {
    code: "exsufflation-pressure",
    display: "Exsufflation pressure",
    field: "exsufflationPressureCmH2O",
    unit: "cm[H2O]",
  },
  { code: "insufflation-time", display: "Insufflation time", field: "insufflationSeconds", unit: "s" },
  { code: "exsufflation-time", display: "Exsufflation time", field: "exsufflationSeconds", unit: "s" },
  { code: "pause-time", display: "Pause time", field: "pauseSeconds", unit: "s" },
  { code: "cycles-per-set", display: "Cycles per set", field: "cyclesPerSet", unit: "{cycle}" },
  { code: "sets-per-session", display: "Sets per session", field: "setsPerSession", unit: "1" },
] as const;

/** R4 event timing codes (https://hl7.org/fhir/R4/valueset-event-timing.html) that ask for one of our day parts. */
export const dayPartOfTiming: Readonly<Record<string, string>> = {
  MORN: "morning",
  "MORN.early": "morning",
  "MORN.late": "morning",
  EVE: "evening",
  "EVE.early": "evening",
  "EVE.late": "evening",
  NIGHT: "evening",
};

/** System of R4's timing abbreviations (https://hl7.org/fhir/R4/valueset-timing-abbreviation.html). */
export const timingAbbreviationSystem = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation";

/** Those abbreviations that say how often a day. */
export const timesPerDayOfAbbreviation: Readonly<Record<string, number>> = { QD: 1, BID: 2, TID: 3, QID: 4 };

/** What an input of a Task holds: each piece of evidence that a rule may give. */
export const taskInputs: Readonly<Record<string, string>> = {
  "chart-centre": "Centre of the chart",
  "chart-sigma": "Standard deviation of the chart",
  cleared: "When the finding cleared",
  contraindication: "Contraindication flag",
  "first-signal": "First signal of the chart",
  fitted: "When the part was fitted",
  "handed-over": "When the device was handed over",
  "last-session": "Last session",
  machine: "Device",
  "no-longer-applies": "Why the finding no longer applies",
  plan: "Plan",
  "replace-by": "When the part is due",
  "rule-source": "Where the rule comes from",
  session: "Session",
  sessions: "Number of sessions",
  "sessions-asked": "Sessions asked for",
  "sessions-asked-known": "Sessions asked for that the records can tell about",
  "sessions-done": "Sessions done",
  "sessions-held-back": "Sessions that wait",
  "set-exsufflation-pressure": "Set exsufflation pressure",
  "set-exsufflation-time": "Set exsufflation time",
  "set-insufflation-pressure": "Set insufflation pressure",
  "set-insufflation-time": "Set insufflation time",
  "set-pause-time": "Set pause time",
  "sitting-minutes": "Length of the sitting",
  "slot-not-prescribed": "Profile slot that no plan prescribes",
  superseded: "Another Task about the same finding",
  upload: "Upload",
};

/** What the service does by itself and records in a Provenance: one code for each kind of Task step. */
export const serviceActivities: Readonly<Record<string, string>> = {
  "task-raise": "Task raised",
  "task-refresh": "Task brought up to date",
  "task-add-evidence": "Evidence added to a Task",
  "task-close": "Task closed",
  "task-note-cleared": "Noted that a finding has cleared",
} satisfies Record<`task-${TaskStep["kind"]}`, string>;
