import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { auditClientSystem } from "./audit-event.ts";
import { rangeOfDate } from "./search/date.ts";

/** What a search for AuditEvents asks (https://hl7.org/fhir/R4/auditevent.html#search): each given parameter must hold. */
export interface AuditQuery {
  readonly patientId?: string;
  /** The client's id here. */
  readonly clientId?: string;
  /** Half-open, in epoch milliseconds. */
  readonly fromMs?: number;
  readonly untilMs?: number;
  readonly sequence?: number;
  readonly count: number;
  /** The parameters as they were used, for the page's own link. */
  readonly used: readonly (readonly [name: string, value: string])[];
}

/** The parameters that are taken, for the capability statement. */
export const auditParameters = [
  {
    name: "_id",
    type: "token",
    definition: "http://hl7.org/fhir/SearchParameter/Resource-id",
    documentation: "The event's number in the trail.",
  },
  {
    name: "patient",
    type: "reference",
    definition: "http://hl7.org/fhir/SearchParameter/AuditEvent-patient",
    documentation: "Patient/[id]: whose record was touched or shown.",
  },
  {
    name: "agent",
    type: "reference",
    definition: "http://hl7.org/fhir/SearchParameter/AuditEvent-agent",
    documentation: `Only agent:identifier=[client id], or ${auditClientSystem}|[client id].`,
  },
  {
    name: "date",
    type: "date",
    definition: "http://hl7.org/fhir/SearchParameter/AuditEvent-date",
    documentation: "With the prefixes eq, ge, gt, le and lt; twice for a period.",
  },
] as const;

const ignored = new Set(["_cursor", "_format", "_pretty"]);

type Reading = Omit<AuditQuery, "count" | "used"> | string;

const readers: Readonly<Record<string, (value: string, known: Omit<AuditQuery, "count" | "used">) => Reading>> = {
  _id: (value) => (isEventId(value) ? { sequence: Number(value) } : "An event's id is its number in the trail."),
  patient(value) {
    const id = /^(?:Patient\/)?([A-Za-z0-9.-]{1,64})$/.exec(value)?.[1];
    return id === undefined ? "Name one patient: patient=Patient/[id]." : { patientId: id };
  },
  "agent:identifier"(value) {
    const prefix = `${auditClientSystem}|`;
    const clientId = value.startsWith(prefix) ? value.slice(prefix.length) : value;
    return clientId === "" || clientId.includes("|")
      ? `Name one client: agent:identifier=${prefix}[client id].`
      : { clientId };
  },
  date(value, { fromMs = Number.NEGATIVE_INFINITY, untilMs = Number.POSITIVE_INFINITY }) {
    const [, prefix = "eq", text = ""] = /^(eq|ge|gt|le|lt)?(\d.*)$/.exec(value) ?? [];
    const range = rangeOfDate(text);
    if (range === undefined)
      return "A date is written as 2026-06-10 or 2026-06-10T08:30:00Z, after eq, ge, gt, le or lt.";
    const from = { eq: range.lowMs, ge: range.lowMs, gt: range.highMs }[prefix] ?? Number.NEGATIVE_INFINITY;
    const until = { eq: range.highMs, le: range.highMs, lt: range.lowMs }[prefix] ?? Number.POSITIVE_INFINITY;
    return { fromMs: Math.max(fromMs, from), untilMs: Math.min(untilMs, until) };
  },
};

/** Whether a text can be the id of an event. */
export function isEventId(text: string): boolean {
  return /^[1-9]\d{0,14}$/.test(text);
}

/**
 * Reads a search for AuditEvents. Everything else than what is taken is refused: who asks who saw a record must not get an
 * answer to another question.
 */
export function parseAuditQuery(
  params: readonly (readonly [name: string, value: string])[],
  { defaultCount, maxCount }: { defaultCount: number; maxCount: number },
): Result<AuditQuery> {
  const refusals: Refusal[] = [];
  const used: [string, string][] = [];
  let asked: Omit<AuditQuery, "count" | "used"> = {};
  let count = defaultCount;
  for (const [name, value] of params) {
    if (ignored.has(name)) continue;
    if (used.some(([other]) => other === name) && name !== "date") {
      refusals.push({ kind: "not-supported", detail: `${name} is taken once.`, at: name, status: 400 });
      continue;
    }
    used.push([name, value]);
    if (name === "_count") {
      if (/^\d{1,9}$/.test(value) && Number(value) > 0) count = Math.min(Number(value), maxCount);
      else refusals.push({ kind: "value", detail: "_count is a whole number from 1 on.", at: name, status: 400 });
      continue;
    }
    const read = Object.hasOwn(readers, name) ? readers[name]?.(value, asked) : undefined;
    if (read === undefined) refusals.push({ kind: "not-supported", detail: whatIsTaken, at: name, status: 400 });
    else if (typeof read === "string") refusals.push({ kind: "value", detail: read, at: name, status: 400 });
    else asked = { ...asked, ...read };
  }
  return refusals.length > 0 ? refused(...refusals) : accepted({ ...asked, count, used });
}

const whatIsTaken = `AuditEvents are searched by ${Object.keys(readers).join(", ")} and _count.`;
