import type { AuditEvent, AuditEventEntity, Coding } from "@medplum/fhirtypes";
import { type AuditKind, auditKinds } from "./audit-kinds.ts";
import { serviceDeviceReference } from "./service-device.ts";
import { canonicalBase } from "./terminology/canonical.ts";

/** What somebody did here, once: what the trail keeps and an AuditEvent is made from. */
export interface AuditEntry {
  readonly atMs: number;
  /** Who asked; empty where nobody could be told, as at a refused login. */
  readonly clientId: string;
  readonly clientName?: string;
  /** Create, read, update, delete, execute (https://hl7.org/fhir/R4/valueset-audit-event-action.html). */
  readonly action: "C" | "R" | "U" | "D" | "E";
  readonly kind: AuditKind;
  /** Success, minor, serious, major failure (https://hl7.org/fhir/R4/valueset-audit-event-outcome.html). */
  readonly outcome: "0" | "4" | "8" | "12";
  /** The door as it is declared, such as `/fhir/:type/:id`: never with somebody's id in it. */
  readonly route: string;
  readonly requestId: string;
  /** Whose record was touched or shown. */
  readonly patientIds: readonly string[];
  /** `Type/id` of what was touched or shown. */
  readonly entities: readonly string[];
  /** A search as it was sent. */
  readonly query?: string;
  /** Why: the reason given for breaking the glass, or what a refusal said. */
  readonly reason?: string;
  /** Where the request came from. */
  readonly address?: string;
}

/** System of the identifiers of clients. */
export const auditClientSystem = `${canonicalBase}/sid/client`;

const systems = {
  resourceType: "http://hl7.org/fhir/resource-types",
  entityType: "http://terminology.hl7.org/CodeSystem/audit-entity-type",
  entityRole: "http://terminology.hl7.org/CodeSystem/object-role",
  sourceType: "http://terminology.hl7.org/CodeSystem/security-source-type",
  purpose: "http://terminology.hl7.org/CodeSystem/v3-ActReason",
  client: auditClientSystem,
  request: `${canonicalBase}/sid/request`,
} as const;

const systemObject: Coding = { system: systems.entityType, code: "2", display: "System Object" };
const applicationServer: Coding = { system: systems.sourceType, code: "4", display: "Application Server" };
const breakTheGlass: Coding = { system: systems.purpose, code: "BTG", display: "break the glass" };

/**
 * The entry as an AuditEvent (https://hl7.org/fhir/R4/auditevent.html). Every patient concerned stands among the entities,
 * so that a search by patient finds the event; a query stands in an entity of its own without a name (invariant sev-1).
 */
export function auditEvent(entry: AuditEntry, id: string): AuditEvent & { id: string } {
  const { type, subtype } = auditKinds[entry.kind];
  const subtypes = subtype(entry.action);
  return {
    resourceType: "AuditEvent",
    id,
    type,
    ...(subtypes === undefined ? {} : { subtype: [subtypes] }),
    action: entry.action,
    recorded: new Date(entry.atMs).toISOString(),
    outcome: entry.outcome,
    ...explanation(entry),
    agent: [agentOf(entry)],
    source: { observer: { reference: serviceDeviceReference, type: "Device" }, type: [applicationServer] },
    entity: entitiesOf(entry),
  };
}

/** A reason for breaking the glass is a purpose; any other says how the request ended. */
function explanation({ kind, reason }: AuditEntry): Pick<AuditEvent, "outcomeDesc" | "purposeOfEvent"> {
  const text = filled(reason);
  if (kind === "break-glass") {
    return { purposeOfEvent: [{ coding: [breakTheGlass], ...(text === undefined ? {} : { text }) }] };
  }
  return text === undefined ? {} : { outcomeDesc: text };
}

function agentOf(entry: AuditEntry): AuditEvent["agent"][number] {
  const name = filled(entry.clientName);
  const address = filled(entry.address);
  const network = address === undefined ? {} : { network: { address, type: networkType(address) } };
  if (auditKinds[entry.kind].byService) {
    const process = filled(entry.clientId);
    const who = { reference: serviceDeviceReference, type: "Device" } as const;
    return { who, ...(process === undefined ? {} : { name: process }), requestor: false };
  }
  const clientId = filled(entry.clientId);
  if (clientId === undefined) return { name: name ?? "Unknown client", requestor: true, ...network };
  const who = { identifier: { system: systems.client, value: clientId } };
  return { who, ...(name === undefined ? {} : { name }), requestor: true, ...network };
}

/** An IP address or a machine's name (https://hl7.org/fhir/R4/valueset-network-type.html). */
function networkType(address: string): "1" | "2" {
  return /^[\d.]+$/.test(address) || /^[\da-f.:]*:[\da-f.:]*(%\w+)?$/i.test(address) ? "2" : "1";
}

function entitiesOf(entry: AuditEntry): AuditEventEntity[] {
  const references = new Set([...entry.patientIds.map((patientId) => `Patient/${patientId}`), ...entry.entities]);
  const query = filled(entry.query);
  return [
    ...[...references].map(resourceEntity),
    ...(query === undefined ? [] : [queryEntity(query)]),
    requestEntity(entry),
  ];
}

const literalReference = /^[A-Z][A-Za-z]*\/[A-Za-z0-9.-]{1,64}$/;

/** A refused request may have asked for what cannot exist: that is told in words. */
function resourceEntity(reference: string): AuditEventEntity {
  if (!literalReference.test(reference)) {
    return { what: { display: filled(reference) ?? "Nothing" }, type: systemObject };
  }
  const type = reference.slice(0, reference.indexOf("/"));
  const role = type === "Patient" ? { code: "1", display: "Patient" } : { code: "4", display: "Domain Resource" };
  return {
    what: { reference },
    type: { system: systems.resourceType, code: type },
    role: { system: systems.entityRole, ...role },
  };
}

function queryEntity(query: string): AuditEventEntity {
  return {
    type: systemObject,
    role: { system: systems.entityRole, code: "24", display: "Query" },
    query: Buffer.from(query, "utf8").toString("base64"),
  };
}

/** The request itself: by its id the line in the service's log is found. */
function requestEntity({ requestId, route }: AuditEntry): AuditEventEntity {
  const value = filled(requestId);
  const name = filled(route);
  return {
    ...(value === undefined ? {} : { what: { identifier: { system: systems.request, value } } }),
    type: systemObject,
    role: { system: systems.entityRole, code: "20", display: "Job" },
    ...(name === undefined ? {} : { name }),
  };
}

// Control characters but tab and line breaks (https://hl7.org/fhir/R4/datatypes.html#string), and halves of surrogate pairs.
const unprintable = /(?![\t\r\n])[\p{Cc}\p{Cs}]/gu;

/** FHIR knows no empty string, nor one of white space alone: such a text is left out, and what it may not hold replaced. */
function filled(text: string | undefined): string | undefined {
  return text === undefined || text.trim() === "" ? undefined : text.replace(unprintable, "\uFFFD");
}
