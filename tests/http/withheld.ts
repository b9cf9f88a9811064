import { defaultTypes } from "../../src/fhir/definitions.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import type { TestApp } from "../support/app.ts";
import { put } from "../support/service.ts";

/** What is served by default, and two types that name a person in ways of their own. */
export const servedTypes = [...defaultTypes, "Appointment", "Basic"];

/** A label of confidentiality (https://terminology.hl7.org/CodeSystem-v3-Confidentiality.html). */
export const label = (code: string) => ({
  system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality",
  code,
});

export const confidential = (code: string) => ({ meta: { security: [label(code)] } });

/** A person of an organisation, with a machine, a plan, sessions, an old circuit and what a review finds in that. */
export async function personOnRecord(here: TestApp, id: string, organizationId: string): Promise<void> {
  await put(here, { resourceType: "Organization", id: organizationId, name: organizationId } as never);
  await personWithCircuit(here, id, "2026-04-01");
  await put(here, patientResource({ id, family: id, given: "Given", organizationId }));
  await usedEveryDay(here, id);
  await put(
    here,
    { resourceType: "Basic", id: `note-${id}`, code: { text: "x" }, subject: { reference: `Patient/${id}` } } as never,
    {
      resourceType: "Appointment",
      id: `visit-${id}`,
      status: "proposed",
      participant: [{ actor: { reference: `Patient/${id}` }, status: "accepted" }],
    } as never,
  );
  await reviewPatient(here.service, here.tenantId, id);
}

/** Every way to read that tells of a person, for who may see all. */
export const aboutPerson = (id: string): readonly string[] => [
  `/fhir/Patient/${id}`,
  `/fhir/Patient/${id}/_history`,
  `/fhir/Patient/${id}/_history/1`,
  `/fhir/Patient/${id}/$everything`,
  `/fhir/Patient/${id}/Observation`,
  `/fhir/Patient/${id}/*`,
  `/fhir/Patient?family=${id}`,
  `/fhir/Patient?_id=${id}`,
  `/fhir/Patient?_has:Observation:subject:status=final&_count=500`,
  "/fhir/Patient?_sort=family&_count=500",
  `/fhir/Observation?subject=Patient/${id}`,
  `/fhir/Observation?subject:Patient.family=${id}`,
  "/fhir/Observation?_include=Observation:subject&_include=Observation:device&_count=500",
  `/fhir/Observation/$lastn?patient=${id}&code=assisted-cough-session`,
  "/fhir/Task?_count=500",
  "/fhir/CarePlan?_include=*",
  "/fhir/DeviceUseStatement?_count=500",
  "/fhir/Device?_revinclude=DeviceUseStatement:device&_count=500",
  "/fhir/Organization?_revinclude=Patient:organization",
  `/fhir/Appointment/visit-${id}`,
  `/fhir/Appointment?actor=Patient/${id}`,
  `/fhir/Basic/note-${id}`,
  "/fhir/Observation/_history?_count=500",
  "/fhir/Patient/_history?_count=500",
  "/fhir/_history?_count=500",
  "/fhir/?_type=Patient,Task,Device&_count=500",
  `/fhir/Measure/days-used/$evaluate-measure?subject=${id}&periodStart=2026-05-20&periodEnd=2026-06-01`,
  "/api/v1/caseload",
  `/api/v1/patients/${id}/days`,
  `/api/v1/patients/${id}/explain?rule=low-use`,
  `/api/v1/patients/${id}/review`,
  `/api/v1/patients/${id}/review?asOf=2026-06-10T12:00:00Z`,
  `/api/v1/patients/${id}/parts`,
  `/api/v1/patients/${id}/change-signal`,
  "/api/v1/parts/forecast?days=90",
];

/** One request with a token. */
export async function ask(
  here: TestApp,
  token: string,
  url: string,
  options: {
    method?: "GET" | "HEAD" | "POST" | "PUT" | "PATCH" | "DELETE";
    payload?: unknown;
    headers?: Record<string, string>;
  } = {},
) {
  const { method = "GET", payload, headers = {} } = options;
  const type = payload === undefined ? {} : { "content-type": "application/fhir+json" };
  const { statusCode, body } = await here.app.inject({
    method,
    url,
    headers: { authorization: `Bearer ${token}`, ...type, ...headers },
    ...(payload === undefined ? {} : { payload: typeof payload === "string" ? payload : JSON.stringify(payload) }),
  });
  return { statusCode, body };
}

interface Answer {
  readonly resourceType?: string;
  readonly entry?: unknown;
  readonly total?: number;
  readonly rows?: unknown;
  readonly patients?: unknown;
}

/** What an answer tells of records: links and outcomes may repeat what the request itself named. */
export function told(body: string): string {
  if (body === "") return "";
  const answer = JSON.parse(body) as Answer;
  if (answer.resourceType === "OperationOutcome") return "";
  const isList = answer.resourceType === "Bundle" || "rows" in answer || "patients" in answer;
  return isList ? JSON.stringify([answer.entry, answer.rows, answer.patients]) : body;
}

/** Whether an answer tells of a person. That there is a device tells of nobody, although these have the ids of whose they are. */
export function tellsOf(id: string, body: string): boolean {
  return told(body).replaceAll(`m-${id}`, "").replaceAll(`c-${id}`, "").replaceAll(`s-${id}`, "").includes(id);
}

/** The answer to a question about one id, with another id in its place: to compare it with that of one that never was. */
export async function answerAbout(here: TestApp, token: string, url: string, id: string): Promise<unknown> {
  const { statusCode, body } = await ask(here, token, url.replaceAll("{id}", id));
  return { statusCode, body: body.replaceAll(id, "{id}").replace(/"(timestamp|id|lastUpdated)":"[^"]*"/g, "") };
}
