import type { DeviceUseStatement, Extension, Observation } from "@medplum/fhirtypes";
import { settleDay } from "../domain/day-part.ts";
import type { DayPart } from "../domain/prescription.ts";
import type { Session } from "../domain/session.ts";
import { componentsOf, measuresOf } from "./session-components.ts";
import { canonical, extensionUrl, identifierSystems } from "./terminology/canonical.ts";
import { assistedCoughTherapy, testDataLabel } from "./terminology/codes.ts";

/** What the mapping of a session needs beyond the session. */
export interface SessionContext {
  /** id of the upload's DocumentReference. */
  readonly documentId: string;
  /** id of the DeviceUseStatement to make. */
  readonly statementId: string;
  /** The device's own, uncorrected end, as received. */
  readonly deviceEnd: string;
  readonly profileRequestId?: string;
}

const sessionSystem = canonical("CodeSystem", "observation-kind");
const sessionCode = "assisted-cough-session";
const sessionProfile = canonical("StructureDefinition", "session-observation");
const statementProfile = canonical("StructureDefinition", "session-use");

const urls = {
  deviceStart: extensionUrl("device-clock-start"),
  deviceEnd: extensionUrl("device-clock-end"),
  localDay: extensionUrl("local-day"),
  dayPart: extensionUrl("day-part"),
  readAt: extensionUrl("memory-read-at"),
  sequenceNumber: extensionUrl("device-sequence-number"),
} as const;

/** A session as the panel Observation that holds its measures, and the DeviceUseStatement that says the device was used. */
export function sessionResources(
  session: Session,
  context: SessionContext,
): { observation: Observation & { id: string }; statement: DeviceUseStatement & { id: string } } {
  const subject = { reference: `Patient/${session.patientId}` };
  const device = { reference: `Device/${session.deviceId}` };
  const period = { start: isoInstant(session.startMs), end: isoInstant(session.endMs) };
  const observation: Observation & { id: string } = {
    resourceType: "Observation",
    id: session.sessionId,
    meta: { profile: [sessionProfile], ...(session.test === true ? { security: [testDataLabel] } : {}) },
    extension: extensionsOf(session, context),
    identifier: [
      { system: identifierSystems.session, value: session.sessionId },
      { system: identifierSystems.recordDigest, value: session.recordDigest },
    ],
    ...(context.profileRequestId === undefined
      ? {}
      : { basedOn: [{ reference: `DeviceRequest/${context.profileRequestId}` }] }),
    status: "final",
    code: {
      coding: [{ system: sessionSystem, code: sessionCode, display: "Assisted cough session" }, assistedCoughTherapy],
    },
    subject,
    effectivePeriod: period,
    device,
    derivedFrom: [{ reference: `DocumentReference/${context.documentId}` }],
  };
  const component = componentsOf(session);
  if (component.length > 0) observation.component = component;
  const statement: DeviceUseStatement & { id: string } = {
    resourceType: "DeviceUseStatement",
    id: context.statementId,
    meta: { profile: [statementProfile] },
    status: "completed",
    subject,
    derivedFrom: [{ reference: `Observation/${session.sessionId}` }],
    timingPeriod: period,
    device,
  };
  return { observation, statement };
}

/** Epoch milliseconds as a FHIR instant in UTC. */
function isoInstant(ms: number): string {
  return new Date(ms).toISOString();
}

function extensionsOf(session: Session, context: SessionContext): Extension[] {
  return [
    { url: urls.deviceStart, valueString: session.deviceStart },
    { url: urls.deviceEnd, valueString: context.deviceEnd },
    { url: urls.localDay, valueDate: session.localDay },
    { url: urls.readAt, valueInstant: isoInstant(session.readMs) },
    ...(session.dayPart === undefined ? [] : [{ url: urls.dayPart, valueCode: session.dayPart }]),
    ...(session.sequenceNumber === undefined
      ? []
      : [{ url: urls.sequenceNumber, valueInteger: session.sequenceNumber }]),
  ];
}

const unknownDigest = "0".repeat(64);

/** Statuses of a measurement that states nothing (https://hl7.org/fhir/R4/valueset-observation-status.html). */
export const emptyStatuses: ReadonlySet<string> = new Set(["registered", "cancelled", "entered-in-error"]);

/**
 * The session that an Observation states, exactly as it was written; undefined when it states none, did not take place
 * (cancelled, only registered), is entered in error, or says its day but not its time.
 * One that another system made under our session code gives what it holds, its day settled in the zone given.
 */
export function sessionOf(
  observation: Observation,
  context: { readonly zone: string; readonly dayParts: readonly DayPart[] },
): Session | undefined {
  const isSession = observation.code.coding?.some((one) => one.system === sessionSystem && one.code === sessionCode);
  if (isSession !== true || emptyStatuses.has(observation.status)) return undefined;
  const startMs = instantOf(observation.effectivePeriod?.start);
  const endMs = instantOf(observation.effectivePeriod?.end);
  const patientId = idOf(observation.subject?.reference, "Patient");
  const deviceId = idOf(observation.device?.reference, "Device");
  // False for what is no time, too.
  if (!(startMs <= endMs) || patientId === undefined || deviceId === undefined) return undefined;
  const read = (url: string) => observation.extension?.find((one) => one.url === url);
  const settled = settleDay(startMs, context.zone, context.dayParts);
  const localDay = read(urls.localDay)?.valueDate;
  const dayPart = localDay === undefined ? settled.dayPart : read(urls.dayPart)?.valueCode;
  const sequenceNumber = read(urls.sequenceNumber)?.valueInteger;
  const readMs = Date.parse(read(urls.readAt)?.valueInstant ?? "");
  return {
    ...measuresOf(observation.component ?? []),
    ...(isTest(observation) ? { test: true } : {}),
    sessionId: observation.id ?? "",
    patientId,
    deviceId,
    startMs,
    endMs,
    deviceStart: read(urls.deviceStart)?.valueString ?? observation.effectivePeriod?.start ?? "",
    localDay: localDay ?? settled.localDay,
    ...(dayPart === undefined ? {} : { dayPart }),
    ...(sequenceNumber === undefined ? {} : { sequenceNumber }),
    readMs: Number.isNaN(readMs) ? endMs : readMs,
    recordDigest: digestOf(observation) ?? unknownDigest,
  };
}

/** NaN for what is no time of day: a bare date would read as midnight UTC, and count to the evening before. */
export function instantOf(text: string | undefined): number {
  return text?.includes("T") === true ? Date.parse(text) : Number.NaN;
}

function isTest(observation: Observation): boolean {
  return (
    observation.meta?.security?.some(
      (one) => one.system === testDataLabel.system && one.code === testDataLabel.code,
    ) === true
  );
}

function digestOf(observation: Observation): string | undefined {
  const digest = observation.identifier?.find((one) => one.system === identifierSystems.recordDigest)?.value;
  return digest !== undefined && /^[0-9a-f]{64}$/.test(digest) ? digest : undefined;
}

/** The id in a local reference of this type. */
export function idOf(reference: string | undefined, type: string): string | undefined {
  return new RegExp(`^(?:.*/)?${type}/([A-Za-z0-9\\-.]{1,64})(?:/_history/.*)?$`).exec(reference ?? "")?.[1];
}
