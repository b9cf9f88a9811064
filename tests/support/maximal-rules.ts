type Members = Record<string, unknown>;

interface Kept {
  readonly type: string;
  readonly rule: string;
  readonly sets: readonly (readonly string[])[];
}

const kept = (type: string, rule: string, ...sets: readonly (readonly string[])[]): Kept => ({ type, rule, sets });
const each = (...names: string[]) => names.map((name) => [name]);

/**
 * Where an invariant of R4 forbids that all elements stand together, one of these sets is kept, taking turns; each by
 * the name of the invariant on the page of the type.
 */
const oneOf: readonly Kept[] = [
  kept("AuditEventEntity", "sev-1", ...each("name", "query")),
  kept("CarePlanActivity", "cpl-3", ...each("reference", "detail")),
  // A history, and a set of search results.
  kept("BundleEntry", "bdl-2 to bdl-4", ["request", "response"], ["search"]),
  kept("CompositionSection", "cmp-2", ...each("entry", "emptyReason")),
  kept("CoverageEligibilityResponseInsuranceItem", "ces-1", ...each("category", "productOrService")),
  kept("DataRequirementCodeFilter", "drq-1", ...each("path", "searchParam")),
  kept("DataRequirementDateFilter", "drq-2", ...each("path", "searchParam")),
  kept("ElementDefinition", "eld-8", ...each("fixed", "pattern")),
  kept("FamilyMemberHistory", "fhs-1, fhs-2", ["age", "estimatedAge"], ["born"]),
  kept("List", "lst-1", ...each("entry", "emptyReason")),
  kept("MeasureGroupStratifier", "mea-1", ["code", "description", "criteria"], ["component"]),
  kept("MeasureReportGroupStratifierStratum", "mrp-2", ...each("value", "component")),
  kept(
    "MolecularSequenceReferenceSeq",
    "msq-5, msq-6",
    ["genomeBuild", "chromosome"],
    ...each("referenceSeqId", "referenceSeqPointer", "referenceSeqString"),
  ),
  kept("Observation", "obs-6", ...each("value", "dataAbsentReason")),
  kept("OperationDefinitionParameter", "opd-2, opd-3", ...each("searchType", "targetProfile")),
  kept("QuestionnaireItem", "que-4, que-11", ["answerOption"], ["answerValueSet", "initial"]),
  kept("QuestionnaireResponseItem", "qrs-1", ...each("answer", "item")),
  kept("RequestGroupAction", "rqg-1", ...each("resource", "action")),
  kept("TestReportSetupAction", "inv-1", ...each("operation", "assert")),
  kept("TestReportTestAction", "inv-2", ...each("operation", "assert")),
  kept("TestScriptSetupAction", "tst-1", ...each("operation", "assert")),
  kept("TestScriptTestAction", "tst-2", ...each("operation", "assert")),
  kept(
    "TestScriptSetupActionAssert",
    "tst-5",
    ...each("contentType", "expression", "headerField", "minimumId", "path", "requestMethod"),
    ...each("resource", "responseCode", "response", "validateProfileId", "navigationLinks"),
  ),
  kept("TestScriptVariable", "tst-3", ...each("expression", "headerField", "path")),
  kept("TimingRepeat", "tim-9, tim-10", ["timeOfDay"], ["when", "offset"]),
  kept("TriggerDefinition", "trd-1, trd-2", ["timing"], ["data", "condition"]),
  kept("ValueSetComposeInclude", "vsd-3", ...each("concept", "filter")),
];

/** Elements that an invariant allows only in a setting which the rest of the instance does not have. */
const never: Readonly<Record<string, { readonly rule: string; readonly names: readonly string[] }>> = {
  ElementDefinition: { rule: "eld-5, eld-15, sdf-22", names: ["contentReference", "defaultValue"] },
  ImplementationGuideDefinitionResource: { rule: "ig-1", names: ["groupingId"] },
  ListEntry: { rule: "lst-3", names: ["date"] },
  StructureDefinition: { rule: "sdf-18", names: ["contextInvariant"] },
};

/** Elements that a type leaves out in this turn. */
export function droppedByRules(type: string, turn: number): ReadonlySet<string> {
  const dropped = new Set(never[type]?.names);
  for (const { type: of, sets } of oneOf) {
    if (of !== type) continue;
    const stays = new Set(sets[turn % sets.length]);
    for (const name of sets.flat()) if (!stays.has(name)) dropped.add(name);
  }
  return dropped;
}

/** Whether some elements of a type stand in some turns only. */
export function takesTurns(type: string): boolean {
  return oneOf.some((one) => one.type === type);
}

const terminology = "http://terminology.hl7.org/CodeSystem";
const concept = (system: string, code: string) => ({ coding: [{ system: `${terminology}/${system}`, code }] });
const ucum = (value: number, code: string) => ({ value, unit: code, system: "http://unitsofmeasure.org", code });
const root = {
  id: "Patient",
  path: "Patient",
  min: 0,
  max: "*",
  definition: "Invented",
  base: { path: "Patient", min: 0, max: "*" },
};

/** A root, and behind it the full element under another path (sdf-8, sdf-11, sdf-14 to sdf-17, sdf-20, sdf-23). */
function elements(content: Members): Members {
  const [full] = content.element as Members[];
  return { element: [root, { ...full, id: "Patient.active", path: "Patient.active" }] };
}

/** Values that invariants of a type ask for, in place of those its elements would get by themselves. */
export const valuesByRules: Readonly<Record<string, (turn: number, content: Members) => Members>> = {
  // age-1, cnt-3, dis-1, drt-1
  Age: () => ucum(41, "a"),
  Count: () => ucum(3, "1"),
  Distance: () => ucum(1.5, "m"),
  Duration: () => ucum(90, "min"),
  // ait-2
  AllergyIntolerance: () => ({ verificationStatus: concept("allergyintolerance-verification", "confirmed") }),
  // app-4
  Appointment: () => ({ status: "cancelled" }),
  // bdl-1 to bdl-4, bdl-7: the entries of a list in turn would disagree
  Bundle: (turn, { entry }) => ({ type: turn % 2 === 0 ? "history" : "searchset", entry: [(entry as Members[])[0]] }),
  // cpb-3, cpb-14, cpb-15
  CapabilityStatement: () => ({ kind: "instance" }),
  // ctm-1
  CareTeamParticipant: () => ({ member: { reference: "Practitioner/not-here" } }),
  // cmp-1
  CompositionSection: () => ({
    text: { status: "generated", div: '<div xmlns="http://www.w3.org/1999/xhtml">Text</div>' },
  }),
  // con-4
  Condition: () => ({ clinicalStatus: concept("condition-clinical", "resolved") }),
  // eld-2, eld-16
  ElementDefinition: () => ({ min: 0, max: "1", sliceName: "part/other" }),
  // eld-4, eld-17
  ElementDefinitionType: () => ({ code: "Reference" }),
  // exp-1
  Expression: () => ({ expression: "true" }),
  // grp-1
  Group: () => ({ actual: true }),
  // lst-2
  List: () => ({ mode: "changes" }),
  // md-1
  MessageDefinitionFocus: () => ({ max: "*" }),
  // mrp-2, where the nesting ends
  MeasureReportGroupStratifierStratum: (_, { component }) =>
    component === undefined ? { value: { text: "All" } } : {},
  // msq-3
  MolecularSequence: () => ({ coordinateSystem: 1 }),
  // opd-2, opd-3
  // The service itself makes one active, and shows header fields as it shows them here (docs/notifications.md).
  Subscription: () => ({ status: "off" }),
  SubscriptionChannel: () => ({ header: ["X-Example: (kept by the service)"] }),
  OperationDefinitionParameter: (turn) => ({ type: turn % 2 === 0 ? "string" : "Reference" }),
  // org-2, org-3
  Organization: () => ({
    telecom: [{ system: "phone", value: "00", use: "work", rank: 1 }],
    address: [{ use: "work", type: "both", line: ["One", "Two"], city: "Invented" }],
  }),
  // per-1
  Period: () => ({ start: "2026-02-01T10:00:00Z", end: "2026-02-03T10:00:00+01:00" }),
  // que-5, que-8, que-10
  QuestionnaireItem: () => ({ type: "open-choice" }),
  // que-7
  QuestionnaireItemEnableWhen: () => ({ operator: "=" }),
  // rqg-1, where the nesting ends
  RequestGroupAction: (_, { action }) => (action === undefined ? { resource: { reference: "Task/not-here" } } : {}),
  // ras-1
  RiskAssessmentPrediction: (_, { probabilityRange }) =>
    probabilityRange === undefined ? {} : { probabilityRange: { low: ucum(10, "%"), high: ucum(20, "%") } },
  // spd-2
  SearchParameter: () => ({ type: "reference" }),
  // sdf-4, sdf-5, sdf-11, sdf-15, sdf-21
  StructureDefinition: () => ({
    type: "Patient",
    kind: "resource",
    derivation: "constraint",
    baseDefinition: "http://hl7.org/fhir/StructureDefinition/Patient",
  }),
  StructureDefinitionSnapshot: (_, content) => elements(content),
  StructureDefinitionDifferential: (_, content) => {
    const { element } = elements(content) as { element: Members[] };
    return { element: [{ id: "Patient", path: "Patient" }, ...element.slice(1)] };
  },
  // tcp-3, tcp-4
  TerminologyCapabilities: () => ({ kind: "instance" }),
  // tst-12
  TestScriptSetupActionAssert: () => ({ direction: "response" }),
  // trd-3
  TriggerDefinition: () => ({ type: "named-event" }),
};
