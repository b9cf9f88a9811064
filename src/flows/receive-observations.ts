import { createHash } from "node:crypto";
import type { Observation } from "@medplum/fhirtypes";
import { useAt } from "../domain/device.ts";
import { settleIdentifier } from "../domain/identifier-authority.ts";
import type { ReceivedObservation } from "../domain/received-observation.ts";
import { measurementObservation, observationStatus } from "../fhir/received/observation.ts";
import { patientAfter } from "../fhir/received/person.ts";
import { canonicalBase } from "../fhir/terminology/canonical.ts";
import { segmentsOf } from "../intake/hl7v2/message.ts";
import { readObservations } from "../intake/hl7v2/observations.ts";
import { readPerson } from "../intake/hl7v2/person.ts";
import { findDevice } from "../store/device.ts";
import { lockDevice } from "../store/session.ts";
import { findPerson, lockMerging, settled } from "./find-person.ts";
import type { MessageWork } from "./message-work.ts";
import { store } from "./receive-adt.ts";
import { orRollBack, RefusedWrite } from "./write-in-tenant.ts";

/** System of the identifiers that devices carry by themselves (EUI-64), unless a configuration names another. */
export const eui64System = `${canonicalBase}/sid/eui-64`;

const futureToleranceMs = 5 * 60_000;

/**
 * Takes in ORU^R01: each measurement becomes an Observation of the device, of the person who had the device at that time. PID may be
 * left out; where it names somebody, it must be the same person. A result whose status has no mapping is left out.
 */
export async function receiveObservations(work: MessageWork): Promise<void> {
  const { observations } = orRollBack(readObservations(work.message, work.place));
  if (observations.length === 0) {
    throw new RefusedWrite([{ kind: "required", detail: "The message holds no OBX with a value.", at: "OBX" }]);
  }
  // A merge moves who had the device: what is stored beside it would stay with the retired record.
  await lockMerging(work, "beside others");
  const named = await namedPerson(work);
  const measured: Observation[] = [];
  for (const one of observations) {
    const status = observationStatus(one.resultStatus, work.settings.results);
    if (status === undefined) {
      work.found.notes.push(
        `${one.at}: a result of status ${one.resultStatus || "(none)"} has no mapping and was left out.`,
      );
      continue;
    }
    measured.push(await measurement(work, one, { status, total: observations.length, named }));
  }
  // The last word of a message about one measurement counts.
  const distinct = new Map(measured.map((one) => [one.id, one]));
  if (distinct.size > 0) await store(work, [...distinct.values()]);
}

async function measurement(
  work: MessageWork,
  one: ReceivedObservation,
  {
    status,
    total,
    named,
  }: { readonly status: Observation["status"]; readonly total: number; readonly named: string | undefined },
): Promise<Observation> {
  if (one.observed.ms > work.service.now() + futureToleranceMs) {
    const detail =
      "The measurement lies in the future of this service's clock. Set the clock of the device and replay.";
    throw new RefusedWrite([{ kind: "value", detail, at: `${one.at}-14` }]);
  }
  const identifier = deviceIdentifier(work, one);
  const device = await deviceOf(work, identifier, total);
  Object.assign(work.found, { deviceId: device.deviceId, deviceIdentifier: identifier });
  const use = useAt(device.uses, one.observed.ms);
  if (use === undefined) {
    Object.assign(work.found, { reason: "device-with-nobody", deviceIdentifier: identifier, received: total });
    const detail =
      "Nobody had this device when it measured. Record who had it as a DeviceUseStatement and replay the message.";
    throw new RefusedWrite([{ kind: "not-found", detail, at: `${one.at}-18` }]);
  }
  if (named !== undefined && named !== use.patientId) {
    work.found.patientIds.add(use.patientId).add(named);
    work.found.reason = "identity-doubtful";
    const detail =
      "PID names another person than the one who had this device at that time. Correct the message, or who had the device.";
    throw new RefusedWrite([{ kind: "conflict", detail, at: "PID-3" }]);
  }
  work.found.patientIds.add(use.patientId);
  const id = measurementId(device.deviceId, one);
  return measurementObservation(one, { id, status, patientId: use.patientId, deviceId: device.deviceId });
}

/** The same measurement of the same device has the same id, so that a correction or a resend meets it. */
function measurementId(deviceId: string, { code, subId, observed, instance }: ReceivedObservation): string {
  const own = instance === undefined ? [code.system, code.code ?? code.text, subId, observed.ms] : [instance];
  return `measured-${createHash("sha256")
    .update(JSON.stringify([deviceId, ...own]))
    .digest("hex")
    .slice(0, 40)}`;
}

function deviceIdentifier(work: MessageWork, { device }: ReceivedObservation): string {
  const { settings, header } = work;
  const isEui = device.authority.universalIdType?.toUpperCase() === "EUI-64";
  const known = settleIdentifier(device, settings.deviceAuthorities, {
    base: isEui ? eui64System : `${canonicalBase}/sid/hl7v2-device`,
    sender: header.sendingFacility || header.sendingApplication || "unnamed",
  });
  const { system, value } = orRollBack(known);
  // What an EUI-64 is of follows from itself: it needs no authority beside it.
  return isEui && system.startsWith(`${eui64System}/`) ? `${eui64System}|${value}` : `${system}|${value}`;
}

async function deviceOf(work: MessageWork, identifier: string, total: number) {
  const device = await findDevice(work.session, identifier);
  if (device !== undefined) {
    await lockDevice(work.session, device.deviceId);
    return device;
  }
  Object.assign(work.found, { reason: "unknown-device", deviceIdentifier: identifier, received: total });
  const detail = `No Device carries the identifier of OBX-18, which is ${identifier.split("|")[0]} here. Register the Device with it, record who has it, and replay the message.`;
  throw new RefusedWrite([{ kind: "not-found", detail, at: "OBX-18" }]);
}

/** Whom PID names, where it names somebody; a person that nobody knows here cannot be the one who had the device. */
async function namedPerson(work: MessageWork): Promise<string | undefined> {
  const [pid] = segmentsOf(work.message, "PID");
  if (pid === undefined) return undefined;
  const person = orRollBack(readPerson(work.message, pid, work.place));
  const identifiers = settled(work, person.identifiers);
  if (identifiers.length === 0) return undefined;
  const found = await findPerson(work, patientAfter(undefined, person, identifiers, work.event), identifiers);
  if (found?.id !== undefined) return found.id;
  const detail = "Nobody here carries the numbers of PID-3. Send the person first (ADT^A28), or leave PID out.";
  throw new RefusedWrite([{ kind: "not-found", detail, at: "PID-3" }]);
}
