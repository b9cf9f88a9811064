import type { Coding } from "@medplum/fhirtypes";

/** What kind of thing was done. */
export type AuditKind =
  | "rest"
  | "search"
  | "dashboard"
  | "export"
  | "upload"
  | "login"
  | "break-glass"
  | "access-change"
  | "erasure"
  | "retention"
  | "process-start"
  | "process-stop"
  | "process-lost";

/** How a kind is told in an AuditEvent. */
export interface AuditKindCodes {
  readonly type: Coding;
  /** The more exact code, which may depend on the action; undefined where there is none. */
  subtype(action: string): Coding | undefined;
  /** Done by the service itself, by nobody's request. */
  readonly byService: boolean;
}

const interactions: Readonly<Record<string, string>> = {
  C: "create",
  R: "read",
  U: "update",
  D: "delete",
  E: "operation",
};

/**
 * R4 takes types and subtypes from DICOM's audit messages (PS3.16, CID 400 and 401) and adds its own for REST:
 * https://hl7.org/fhir/R4/valueset-audit-event-type.html, https://hl7.org/fhir/R4/valueset-audit-event-sub-type.html.
 */
const dicom = (code: string, display: string): Coding => ({
  system: "http://dicom.nema.org/resources/ontology/DCM",
  code,
  display,
});
const rest: Coding = {
  system: "http://terminology.hl7.org/CodeSystem/audit-event-type",
  code: "rest",
  display: "RESTful Operation",
};
const interaction = (code: string | undefined): Coding | undefined =>
  code === undefined ? undefined : { system: "http://hl7.org/fhir/restful-interaction", code, display: code };

const applicationActivity = dicom("110100", "Application Activity");
const securityAlert = dicom("110113", "Security Alert");

function byClient(type: Coding, subtype?: Coding): AuditKindCodes {
  return { type, subtype: () => subtype, byService: false };
}

function byService(subtype: Coding | undefined): AuditKindCodes {
  return { type: applicationActivity, subtype: () => subtype, byService: true };
}

/** The codes of each kind. */
export const auditKinds: Readonly<Record<AuditKind, AuditKindCodes>> = {
  rest: { type: rest, subtype: (action) => interaction(interactions[action]), byService: false },
  search: byClient(rest, interaction("search")),
  dashboard: byClient(dicom("110110", "Patient Record")),
  export: byClient(dicom("110106", "Export")),
  upload: byClient(dicom("110107", "Import")),
  login: byClient(dicom("110114", "User Authentication"), dicom("110122", "Login")),
  "break-glass": byClient(securityAlert, dicom("110127", "Emergency Override Started")),
  "access-change": byClient(securityAlert, dicom("110136", "Security Roles Changed")),
  erasure: byClient(dicom("110110", "Patient Record")),
  retention: byClient(applicationActivity),
  "process-start": byService(dicom("110120", "Application Start")),
  "process-stop": byService(dicom("110121", "Application Stop")),
  // No code says that an earlier run ended without a word.
  "process-lost": byService(undefined),
};
