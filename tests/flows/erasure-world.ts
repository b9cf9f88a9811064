/** Two people who shared a machine, one of whom is erased in the tests; everything about her holds words found nowhere else. */
import { machineResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { registerClient } from "../../src/flows/client.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { defaultSerialSystem, recordUse } from "../../src/flows/record-use.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { reviewUnmatched } from "../../src/flows/review-unmatched.ts";
import { setThresholds } from "../../src/flows/thresholds.ts";
import { onServer } from "../support/database.ts";
import { personWithMachine, uploadSessions } from "../support/half-user.ts";
import { put, type TestService } from "../support/service.ts";

/** Words that stand in nothing but her records. */
export const planted = {
  surname: "Quillanthorpe",
  identifier: "ZX-4471-9930",
  telephone: "+44 1632 960417",
  serial: "SN-90417-KQ",
  note: "remembers the lighthouse at Wexmoor",
  attachment: "d2V4bW9vcg-letter",
} as const;

const subject = { reference: "Patient/ida", display: `Mrs ${planted.surname}` };
const condition = { coding: [{ system: "https://tidegate.example/fhir/CodeSystem/test", code: "x" }] };

/** Sends an upload as it is and answers whether it was taken. */
export async function send(here: TestService, body: string | object): Promise<{ ok: boolean; status?: number }> {
  const text = typeof body === "string" ? body : JSON.stringify(body);
  const arrived = { bytes: Buffer.from(text), contentType: "application/json", contentEncoding: "identity" };
  const report = await recordUse(here.service, here.tenantId, arrived, { maxBytes: 1_000_000 });
  const status = report.ok ? undefined : report.refusals[0]?.status;
  return { ok: report.ok, ...(status === undefined ? {} : { status }) };
}

const record = (serialNumber: string, readAt: string, starts: readonly string[]) => ({
  format: "tidegate-use-record",
  version: 1,
  device: { serialNumber },
  readAt,
  sessions: starts.map((start) => ({ start, end: new Date(Date.parse(start) + 600_000).toISOString() })),
});

/** An upload of her own machine. */
export const ownRecord = record(planted.serial, "2026-05-03T09:00:00Z", [
  "2026-05-01T08:00:00Z",
  "2026-05-02T08:00:00Z",
]);
/** The upload of the shared machine that holds sessions of both, and of each a record that ends before it starts. */
const both = record("s-shared", "2026-05-20T09:00:00Z", ["2026-02-02T08:00:00Z", "2026-05-02T08:00:00Z"]);
const wrong = ["2026-02-03", "2026-05-03"].map((day) => ({ start: `${day}T08:00:00Z`, end: `${day}T07:00:00Z` }));
export const sharedRecord = { ...both, sessions: [...both.sessions, ...wrong] };
/** The one after it, of the other person alone. */
export const laterRecord = record("s-shared", "2026-05-21T09:00:00Z", ["2026-05-20T20:00:00Z"]);

/** `ida`, `other` and what ties them together. The clock stands at June 2026. */
export async function twoPeople(here: TestService): Promise<void> {
  await personWithMachine(here, "other");
  await uploadSessions(here, "other", ["2026-06-01T08:00:00Z"]);
  const { plan, requests } = planResources({
    id: "plan-ida",
    patientId: "ida",
    status: "active",
    start: "2026-01-01",
    profiles: [{ profileId: "profile-ida", role: "usual", schedule: { kind: "day-parts", parts: ["morning"] } }],
  });
  await put(
    here,
    patient({ gender: "female" }),
    machineResource({ id: "machine-1", serialNumber: planted.serial }),
    deviceUseStatement({ id: "u0", deviceId: "machine-1", patientId: "ida", start: "2026-01-01" }),
    ...requests,
    plan,
    patient({ gender: "female", birthDate: "1951-02-03" }),
    machineResource({ id: "m-shared", serialNumber: "s-shared" }),
    deviceUseStatement({ id: "u1", deviceId: "m-shared", patientId: "ida", start: "2026-02-01", end: "2026-04-01" }),
    deviceUseStatement({ id: "u2", deviceId: "m-shared", patientId: "other", start: "2026-04-10" }),
  );
  await send(here, ownRecord);
  await send(here, sharedRecord);
  await send(here, laterRecord);
  await send(here, record(planted.serial, "2026-06-09T09:00:00Z", ["2025-03-01T08:00:00Z"]));
  await send(here, `{ broken of ${planted.serial}, ${planted.surname}`);
  await textsAboutHer(here);
  await tiesToOthers(here);
  await setThresholds(here.service, here.tenantId, "plan-ida", {
    settings: { lowUseBelowShare: { value: 0.3, source: planted.note } },
    note: planted.note,
  });
  await registerClient(here.service, here.tenantId, {
    name: `Portal of ${planted.surname}`,
    role: "dashboard",
    jwksUrl: "https://portal.example/keys",
    patientId: "ida",
  });
  await reviewUnmatched(here.service, here.tenantId, `${defaultSerialSystem}|${planted.serial}`);
  await reviewPatient(here.service, here.tenantId, "ida");
  await reviewPatient(here.service, here.tenantId, "other");
}

function patient(more: object) {
  return {
    resourceType: "Patient",
    id: "ida",
    active: true,
    identifier: [{ system: "https://tidegate.example/fhir/sid/test-person", value: planted.identifier }],
    name: [{ use: "official", family: planted.surname, given: ["Ida"] }],
    telecom: [{ system: "phone", value: planted.telephone }],
    ...more,
  } as { resourceType: string; id: string };
}

const one = (resourceType: string, id: string, rest: object) =>
  ({ resourceType, id, ...rest }) as { resourceType: string; id: string };

async function textsAboutHer(here: TestService): Promise<void> {
  await put(
    here,
    one("Binary", "letter", { contentType: "text/plain", data: Buffer.from(planted.note).toString("base64") }),
    one("DocumentReference", "letter-of-ida", {
      status: "current",
      subject,
      content: [{ attachment: { contentType: "text/plain", url: "Binary/letter", title: planted.attachment } }],
    }),
    one("Condition", "c-ida", { subject, code: condition, note: [{ text: planted.note }] }),
    one("Condition", "c-deleted", { subject, code: condition, note: [{ text: planted.note }] }),
    one("RelatedPerson", "rp-ida", { patient: subject, name: [{ family: planted.surname }] }),
    one("List", "list-ida", {
      status: "current",
      mode: "working",
      source: subject,
      entry: [{ item: { reference: "Condition/c-ida" } }],
    }),
  );
  const gone = await deleteResource(here.service, here.tenantId, { type: "Condition", id: "c-deleted" });
  if (!gone.ok) throw new Error(JSON.stringify(gone.refusals));
}

/** What is of somebody else, or of nobody, and names her in passing. */
async function tiesToOthers(here: TestService): Promise<void> {
  const observation = (about: object) =>
    one("Observation", "moved", { status: "final", code: condition, subject: about, effectiveDateTime: "2026-05-05" });
  await put(
    here,
    one("Group", "tuesday", {
      type: "person",
      actual: true,
      name: "Tuesday clinic",
      text: { status: "generated", div: `<div xmlns="http://www.w3.org/1999/xhtml">${planted.surname}</div>` },
      member: [{ entity: subject }, { entity: { reference: "Patient/other" } }],
    }),
    one("Group", "tuesday", {
      type: "person",
      actual: true,
      name: "Tuesday clinic",
      quantity: 2,
      member: [{ entity: subject }, { entity: { reference: "Patient/other" } }],
    }),
    observation(subject),
    observation({ reference: "Patient/other" }),
    one("Condition", "c-other", {
      subject: { reference: "Patient/other" },
      code: condition,
      asserter: { identifier: { value: planted.identifier }, display: planted.surname },
      evidence: [{ detail: [{ reference: "Condition/c-ida", display: planted.note }] }],
    }),
  );
}

/** Every row of every table of the database as text, bytes as the text they hold; by `schema.table`. */
export async function everyRow(here: TestService): Promise<Map<string, string[]>> {
  return onServer(here.connectionString, async (client) => {
    const tables = await client.query(
      `select n.nspname || '.' || c.relname as name,
         string_agg(case when a.atttypid = 'bytea'::regtype then format('encode(%I, ''escape'')', a.attname) else format('%I::text', a.attname) end,
           ',' order by a.attnum) as columns
       from pg_class c join pg_namespace n on n.oid = c.relnamespace join pg_attribute a on a.attrelid = c.oid
       where c.relkind in ('r', 'p') and not c.relispartition and a.attnum > 0 and not a.attisdropped and n.nspname not in ('pg_catalog', 'information_schema')
         and n.nspname not like 'pg\\_t%'
       group by 1`,
    );
    const found = new Map<string, string[]>();
    for (const { name, columns } of tables.rows as { name: string; columns: string }[]) {
      const rows = await client.query(`select concat_ws(' | ', ${columns}) as row from ${name} order by 1`);
      found.set(
        name,
        (rows.rows as { row: string }[]).map(({ row }) => row),
      );
    }
    return found;
  });
}

/** Rows that hold a word, as `table: row`. */
export function rowsWith(rows: ReadonlyMap<string, readonly string[]>, word: string): string[] {
  return [...rows].flatMap(([table, texts]) =>
    texts.filter((text) => text.toLowerCase().includes(word.toLowerCase())).map((text) => `${table}: ${text}`),
  );
}
