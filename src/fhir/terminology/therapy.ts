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
  taskState: canonical("CodeSystem", "task-state"),
  taskInput: canonical("CodeSystem", "task-input"),
  therapy: canonical("CodeSystem", "therapy"),
  conditionKind: canonical("CodeSystem", "condition-kind"),
  absenceKind: canonical("CodeSystem", "absence-kind"),
  serviceActivity: canonical("CodeSystem", "service-activity"),
} as const;

/** The machine, the kinds of part that wear, and the service itself. */
export const deviceKinds: Readonly<Record<string, string>> = {
  machine: "Insufflation-exsufflation device",
  circuit: "Patient circuit",
  "dust-filter": "Dust filter",
  "bacterial-filter": "Bacterial filter",
  mask: "Mask",
  "catheter-mount": "Catheter mount",
  "tracheostomy-circuit": "Tracheostomy circuit",
  software: "Software",
};

/** Conditions that change what is asked of the therapy and its parts. */
export const conditionKinds: Readonly<Record<string, string>> = { "chest-infection": "Chest infection" };

/** Why somebody is away from the therapy, where nothing of R4 says so. */
export const absenceKinds: Readonly<Record<string, string>> = {
  "away-on-holiday": "Away on holiday without the device",
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
  "clock-difference": "How far the device's clock was ahead",
  contraindication: "Contraindication flag",
  "device-alert": "Alert code of the device",
  "first-signal": "First signal of the chart",
  fitted: "When the part was fitted",
  "handed-over": "When the device was handed over",
  infection: "Chest infection",
  "last-session": "Last session",
  "lowest-saturation": "Lowest oxygen saturation of a session",
  machine: "Device",
  "no-longer-applies": "Why the finding no longer applies",
  "override-reason": "Why the plan goes on in spite of a contraindication",
  "peak-cough-flow": "Assisted peak cough flow of a session",
  plan: "Plan",
  profile: "Settings profile",
  record: "Record of a person",
  "replace-by": "When the part is due",
  "review-day": "When the plan is due for review",
  "rule-source": "Where the rule comes from",
  screening: "Screening for contraindications",
  "service-day": "When the device is due for service",
  session: "Session",
  "session-short-of-pressure": "Session short of the set pressure",
  sessions: "Number of sessions",
  "sessions-asked": "Sessions asked for",
  "sessions-asked-known": "Sessions asked for that the records can tell about",
  "sessions-done": "Sessions done",
  "sessions-held-back": "Sessions that wait",
  "failed-tries": "Tries in a row that failed",
  "events-waiting": "Events that wait to be told",
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

/** Where the finding of a Task stands, whatever a person makes of the Task; the last two are also reasons of closing. */
export const taskStates = {
  standing: "The finding stands",
  cleared: "The finding has cleared",
  "no-longer-applies": "The finding no longer applies",
} as const;

/** What the service does by itself and records in a Provenance: one code for each kind of Task step. */
export const serviceActivities: Readonly<Record<string, string>> = {
  "task-raise": "Task raised",
  "task-refresh": "Task brought up to date",
  "task-add-evidence": "Evidence added to a Task",
  "task-escalate": "Priority of an overdue Task raised",
  "task-close": "Task closed",
  "task-note-cleared": "Noted that a finding has cleared",
  "flag-from-screening": "Flag changed by the answers of a screening",
  "patient-merge": "Records of one person merged",
} satisfies Record<`task-${TaskStep["kind"]}` | "flag-from-screening" | "patient-merge", string>;
