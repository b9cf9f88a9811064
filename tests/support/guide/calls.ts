import { jobsOf } from "../../../src/flows/jobs.ts";
import type { TestApp } from "../app.ts";
import { tokenFor } from "../client.ts";
import type { Recorder } from "./recorder.ts";

const json = "application/json";
const fhir = "application/fhir+json";

/** Plays every call of the guide at the doors of the demo, one after the other. */
export async function playGuide(here: TestApp, { call }: Recorder): Promise<void> {
  const integration = await tokenFor(here, "integration");
  const dashboard = await tokenFor(here, "dashboard");
  const worklistScope = "system/Task.rus system/Communication.crus system/Patient.rs";
  const worklist = await tokenFor(here, "integration", worklistScope);

  await call("no-token", { url: "/fhir/Patient/patient-steady" });
  await call("discovery", { url: "/fhir/.well-known/smart-configuration", most: 3, without: ["scopes_supported"] });

  const uploads = "/api/v1/use-records";
  const record = {
    method: "POST",
    url: uploads,
    token: integration,
    type: json,
    file: "seed/examples/use-record.json",
  } as const;
  await call("upload", record);
  await call("upload-again", record);
  await call("upload-unknown", {
    method: "POST",
    url: uploads,
    token: integration,
    type: json,
    json: {
      format: "tidegate-use-record",
      version: 1,
      device: { serialNumber: "not-registered-1" },
      readAt: "2026-04-10T10:00:00Z",
      coverage: [{ start: "2026-04-09T00:00:00Z", end: "2026-04-10T10:00:00Z" }],
      sessions: [{ start: "2026-04-09T08:00:00Z", end: "2026-04-09T08:10:00Z" }],
    },
  });
  await call("uploads-refused", { url: "/api/v1/uploads?status=refused&count=1", token: integration });

  const ada = {
    resourceType: "Patient",
    id: "guide-ada",
    identifier: [{ system: "https://hospital.example/numbers", value: "G-1" }],
    name: [{ family: "Quillfeather", given: ["Ada"] }],
    birthDate: "1962-03-04",
  };
  const put = { method: "PUT", url: "/fhir/Patient/guide-ada", token: integration, type: fhir } as const;
  await call("write", { ...put, json: ada, look: ["ETag", "Location"] });
  await call("write-stale", { ...put, headers: { "If-Match": 'W/"7"' }, json: { ...ada, gender: "female" } });
  await call("write-wrong", { ...put, json: { ...ada, birthDate: "4 March 1962", nickname: "Ada" } });
  await call("transaction", {
    method: "POST",
    url: "/fhir",
    token: integration,
    type: fhir,
    json: {
      resourceType: "Bundle",
      type: "transaction",
      entry: [
        {
          fullUrl: "urn:uuid:4f5c2b54-3d0a-4c36-8d5e-7b1f6f3f9b01",
          resource: {
            resourceType: "Patient",
            identifier: [{ system: "https://hospital.example/numbers", value: "G-2" }],
            name: [{ family: "Larkspindle", given: ["Bram"] }],
          },
          request: { method: "POST", url: "Patient", ifNoneExist: "identifier=https://hospital.example/numbers|G-2" },
        },
        {
          resource: {
            resourceType: "Flag",
            status: "active",
            code: { text: "Latex allergy" },
            subject: { reference: "urn:uuid:4f5c2b54-3d0a-4c36-8d5e-7b1f6f3f9b01" },
          },
          request: { method: "POST", url: "Flag" },
        },
      ],
    },
  });

  await call("caseload", { url: "/api/v1/caseload?sort=urgency&count=1", token: dashboard });
  await call("open-tasks", {
    url: "/fhir/Task?status=requested&priority=urgent&_include=Task:patient&_elements=status,priority,description,for,name&_count=1",
    token: dashboard,
    without: ["extension", "tag", "telecom", "address", "text"],
  });
  await call("sessions", {
    url: "/fhir/Observation?patient=patient-steady&date=ge2026-04-09&_summary=count",
    token: dashboard,
  });
  await call("search-wrong", { url: "/fhir/Task?priority:above=urgent", token: dashboard });

  const message = { method: "POST", url: "/api/v1/hl7v2", token: integration, type: "application/hl7-v2" } as const;
  await call("message", { ...message, file: "seed/messages/adt-a28.hl7" });
  await call("message-list", { url: "/api/v1/messages?count=1", token: integration });

  const kickOff = await call("export", {
    url: "/fhir/$export?_type=Patient",
    token: integration,
    headers: { Prefer: "respond-async" },
    look: ["Content-Location"],
  });
  const status = new URL(String(kickOff.headers["content-location"])).pathname;
  const jobId = status.split("/").at(-1);
  await call("export-waits", { url: status, token: integration, look: ["X-Progress", "Retry-After"] });
  await jobsOf(here.service)["run-bulk"]?.({ tenantId: here.tenantId, jobId });
  await call("export-done", { url: status, token: integration });

  const subscription = {
    resourceType: "Subscription",
    id: "ward-board",
    status: "off",
    reason: "Board of the ward",
    criteria: "Task?status=requested",
    channel: { type: "rest-hook", endpoint: "https://ward.example/told" },
  };
  const subscribe = { method: "PUT", url: "/fhir/Subscription/ward-board", token: integration, type: fhir } as const;
  await call("subscribe", { ...subscribe, json: subscription });
  await call("subscribe-wrong", {
    ...subscribe,
    json: { ...subscription, status: "requested", channel: { type: "email" } },
  });
  await call("subscribe-elsewhere", { ...subscribe, json: { ...subscription, status: "requested" } });

  const mine =
    "/fhir/Task?owner=CareTeam/careteam-brackwater&status=requested&code=part-overdue&_sort=authored-on&_count=1";
  const found = await call("my-tasks", {
    url: mine,
    token: worklist,
    without: ["extension", "input", "identifier", "focus", "businessStatus"],
  });
  const task = (JSON.parse(found.text) as { entry: { resource: { id: string; for: unknown } }[] }).entry[0]?.resource;
  const change = {
    method: "PATCH",
    url: `/fhir/Task/${task?.id}`,
    token: worklist,
    type: "application/json-patch+json",
  } as const;
  await call("take-up", {
    ...change,
    headers: { "If-Match": 'W/"1"' },
    json: [{ op: "replace", path: "/status", value: "in-progress" }],
    look: ["ETag"],
    without: ["extension", "input", "identifier", "focus", "businessStatus", "description"],
  });
  await call("take-up-late", {
    ...change,
    headers: { "If-Match": 'W/"1"' },
    json: [{ op: "replace", path: "/status", value: "accepted" }],
  });
  await call("reject-late", { ...change, json: [{ op: "replace", path: "/status", value: "rejected" }] });
  await call("task-note", {
    method: "POST",
    url: "/fhir/Communication",
    token: worklist,
    type: fhir,
    json: {
      resourceType: "Communication",
      status: "completed",
      partOf: [{ reference: `Task/${task?.id}` }],
      subject: task?.for,
      payload: [{ contentString: "Rang; a new circuit is in the post." }],
    },
  });
}
