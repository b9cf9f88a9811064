import type { CodeSystem } from "@medplum/fhirtypes";
import { ruleTexts } from "../../domain/rules/catalogue.ts";
import { numericComponents, spreadComponents, spreadStatistics, wordComponents } from "../session-components.ts";
import { canonical } from "./canonical.ts";
import { contraindicationCatalogue } from "./contraindications.ts";
import {
  absenceKinds,
  conditionKinds,
  deviceKinds,
  interfaces,
  profileRoles,
  serviceActivities,
  settingParameters,
  taskInputs,
  taskStates,
} from "./therapy.ts";

/** One concept of our own. */
interface Concept {
  readonly code: string;
  readonly display: string;
}

/** A code system of our own: terms of the trade that LOINC, SNOMED CT and MDC lack. */
interface OwnCodeSystem {
  readonly name: string;
  readonly title: string;
  readonly concepts: readonly Concept[];
}

const named = (concepts: Readonly<Record<string, string>>): Concept[] =>
  Object.entries(concepts).map(([code, display]) => ({ code, display }));

const sessionMeasures: readonly Concept[] = [
  ...numericComponents.map(({ code, display }) => ({ code, display })),
  ...spreadComponents.flatMap(({ code, display }) =>
    spreadStatistics.map((one) => ({ code: `${code}-${one.suffix}`, display: `${display}, ${one.display}` })),
  ),
  ...wordComponents.map(({ code, display }) => ({ code, display })),
];

/** Every code system of our own. */
export const ownCodeSystems: readonly OwnCodeSystem[] = [
  {
    name: "observation-kind",
    title: "Kinds of observation",
    concepts: named({ "assisted-cough-session": "Assisted cough session", "device-alert": "Device alert" }),
  },
  { name: "session-measure", title: "Measures of a session", concepts: sessionMeasures },
  { name: "device-kind", title: "Machines and parts that wear", concepts: named(deviceKinds) },
  {
    name: "therapy",
    title: "Therapies",
    concepts: named({ "assisted-cough": "Assisted cough (insufflation-exsufflation)" }),
  },
  { name: "condition-kind", title: "Conditions that matter to the therapy", concepts: named(conditionKinds) },
  { name: "absence-kind", title: "Reasons to be away from the therapy", concepts: named(absenceKinds) },
  {
    name: "setting-parameter",
    title: "Settings of a prescription",
    concepts: [
      ...settingParameters.map(({ code, display }) => ({ code, display })),
      { code: "interface", display: "Interface" },
    ],
  },
  { name: "interface", title: "Interfaces between device and person", concepts: named(interfaces) },
  { name: "profile-role", title: "Roles of a settings profile", concepts: named(profileRoles) },
  {
    name: "contraindication",
    title: "Contraindications and cautions",
    concepts: contraindicationCatalogue.map(({ code, title }) => ({ code, display: title })),
  },
  { name: "finding-rule", title: "Findings", concepts: ruleTexts.map(({ code, title }) => ({ code, display: title })) },
  {
    name: "task-reason",
    title: "Why the service closed a Task",
    concepts: named({ cleared: "The finding has cleared", "no-longer-applies": "The finding no longer applies" }),
  },
  { name: "task-state", title: "Where the finding of a Task stands", concepts: named(taskStates) },
  { name: "task-input", title: "Evidence of a finding", concepts: named(taskInputs) },
  { name: "service-activity", title: "What the service does by itself", concepts: named(serviceActivities) },
  { name: "document-kind", title: "Kinds of document", concepts: named({ "use-record-upload": "Use-record upload" }) },
];

/** The code systems as resources, each with its own address. */
export function codeSystemResources(): (CodeSystem & { id: string })[] {
  return ownCodeSystems.map(({ name, title, concepts }) => ({
    resourceType: "CodeSystem",
    id: name,
    url: canonical("CodeSystem", name),
    name: title.replace(/[^A-Za-z]/g, ""),
    title,
    status: "active",
    caseSensitive: true,
    content: "complete",
    count: concepts.length,
    concept: concepts.map(({ code, display }) => ({ code, display })),
  }));
}
