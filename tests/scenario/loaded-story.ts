import type { Measure } from "../../src/domain/adherence.ts";
import { patientDays } from "../../src/flows/patient-days.ts";
import { readInTenant } from "../../src/store/database.ts";
import type { TestService } from "../support/service.ts";

/** Rows of one statement in the story's tenant, which is its `$1`. */
export function rows<Row>(here: TestService, statement: string, ...values: unknown[]): Promise<Row[]> {
  return readInTenant(here.database, here.tenantId, (session) =>
    session.query<Row>(statement, [here.tenantId, ...values]),
  );
}

/** One open Task and its words. */
export interface OpenTask {
  patientId: string;
  rule: string;
  subject: string;
  priority: string;
  text: string;
}

/** Open Tasks sorted by patient, rule and subject. */
export const openTasks = (here: TestService) =>
  rows<OpenTask>(
    here,
    `select t.patient_id as "patientId", t.rule, t.subject, r.body::jsonb ->> 'priority' as priority,
       r.body::jsonb ->> 'description' as text
     from finding_task t join resource r on r.tenant_id = t.tenant_id and r.type = 'Task' and r.id = t.task_id
     where t.tenant_id = $1 and t.open order by t.patient_id, t.rule, t.subject`,
  );

/** What the tests read of a session fact. */
export interface SessionRow {
  sessionId: string;
  patientId: string;
  deviceId: string;
  startMs: number;
  localDay: string;
  dayPart: string | null;
}

/** Every session fact, sorted by id. */
export const sessionRows = (here: TestService) =>
  rows<SessionRow>(
    here,
    `select session_id as "sessionId", patient_id as "patientId", device_id as "deviceId", started_at as "startMs",
       ended_at, local_day as "localDay", day_part as "dayPart", read_at, encode(record_digest, 'hex') as digest
     from therapy_session where tenant_id = $1 order by session_id`,
  );

/** `rule priority subject`. */
export const inOneLine = ({ rule, priority, subject }: OpenTask) => `${rule} ${priority} ${subject}`;

/** Numerator, denominator and what was eligible. */
export const triple = ({ numerator, denominator, eligible }: Measure) => [numerator, denominator, eligible];

/** The figures of the 28 full days before today, as a person's own page shows them. */
export async function figuresOf(here: TestService, patientId: string): Promise<unknown> {
  const answer = await patientDays(here.service, here.tenantId, patientId, {});
  if (!answer.ok) throw new Error(answer.refusals[0]?.detail);
  const { firstDay, endDay, measures } = answer.value;
  const counts = (code: Measure["code"]) => measures.filter((one) => one.code === code).map(triple)[0];
  return { firstDay, endDay, daysUsed: counts("days-used"), sessionsCompleted: counts("sessions-completed") };
}

/** Every resource without what each version is stamped with; Provenance has random ids. */
export async function contents(here: TestService): Promise<unknown> {
  const stored = await rows<{ body: string }>(
    here,
    "select body from resource where tenant_id = $1 and type <> 'Provenance' order by type, id",
  );
  return stored.map(({ body }) => {
    const { meta: _, ...content } = JSON.parse(body) as Record<string, unknown>;
    return content;
  });
}

/** Rows by resource type and version, and by table of facts. */
export async function counts(here: TestService): Promise<unknown> {
  const resources = await rows(
    here,
    "select type, count(*)::int, sum(version)::int as versions from resource where tenant_id = $1 group by type order by type",
  );
  const facts = await Promise.all(
    ["therapy_session", "coverage", "device_use", "patient_fact", "finding_task", "received_upload"].map(
      async (table) => [table, await rows(here, `select count(*)::int from ${table} where tenant_id = $1`)],
    ),
  );
  return { resources, facts };
}
