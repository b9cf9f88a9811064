import type { Patient, Provenance } from "@medplum/fhirtypes";
import { isAboutOnly, linkedPatients, patientsIn, type Traits, traitsOf, unversioned } from "../fhir/erasure.ts";
import { referralTerm } from "../fhir/search/reference.ts";
import { serviceDeviceReference } from "../fhir/service-device.ts";
import type { TenantSession } from "../store/database.ts";
import {
  alsoErase,
  erasing,
  mentionsOf,
  pointedToByErased,
  type StoredMention,
  stayingReferrers,
  versionsOf,
} from "../store/erasure.ts";
import { devicesOf, identifiersOf, partsOf, tasksAboutDevices, usesOf } from "../store/erasure-devices.ts";
import { readMany } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** Who goes. */
export interface Person {
  readonly patientId: string;
  readonly traits: Traits;
  /** Other records of the same person. */
  readonly linked: readonly string[];
  readonly deviceIds: readonly string[];
}

/** The person as all versions of the Patient tell. */
export async function readPerson(session: TenantSession, patientId: string): Promise<Person> {
  const stored = await versionsOf(session, "Patient", patientId);
  const versions = stored.map(({ body }) => JSON.parse(body) as Patient);
  return {
    patientId,
    traits: traitsOf(versions),
    linked: linkedPatients(versions).filter((id) => id !== patientId),
    deviceIds: await devicesOf(session, patientId),
  };
}

/** Adds to what goes those resources without a subject that tell about this person and nobody else. */
export async function eraseWhatIsOnlyAbout(session: TenantSession, person: Person): Promise<void> {
  const mentions = await mentionsOf(session, [`Patient/${person.patientId}`]);
  const byResource = new Map<string, StoredMention[]>();
  for (const one of mentions) {
    const reference = `${one.type}/${one.id}`;
    byResource.set(reference, [...(byResource.get(reference) ?? []), one]);
  }
  const alone: string[] = [];
  for (const [reference, versions] of byResource) {
    const [first] = versions;
    if (first === undefined || first.patientId !== null) continue;
    const patients = new Set(versions.flatMap(({ body }) => patientsIn(body)));
    // "Patient/1" stands in "Patient/12" as well.
    if (patients.has(person.patientId) && isAboutOnly(person.patientId, first.type, patients)) alone.push(reference);
  }
  await alsoErase(session, alone);
}

/** Devices of the person, and their parts, that nobody else ever had. */
export async function devicesOfNobodyElse(session: TenantSession, person: Person): Promise<string[]> {
  const had = [...new Set([...person.deviceIds, ...(await partsOf(session, person.deviceIds))])];
  const uses = await usesOf(session, had);
  const shared = new Set(uses.filter((use) => use.patientId !== person.patientId).map((use) => use.deviceId));
  return had.filter((id) => !shared.has(id) && `Device/${id}` !== serviceDeviceReference);
}

/** Adds the Tasks about unmatched records of these devices: whose records they are could not be told, and they had one person. */
export async function eraseUnmatched(session: TenantSession, deviceIds: readonly string[]): Promise<void> {
  await alsoErase(session, await tasksAboutDevices(session, await identifiersOf(session, deviceIds)));
}

/** Adds those of these devices to which nothing that stays points. */
export async function eraseDevices(session: TenantSession, deviceIds: readonly string[]): Promise<void> {
  let going = deviceIds;
  for (;;) {
    const among = new Set(going.map((id) => `Device/${id}`));
    const staying = new Set<string>();
    for (const id of going) {
      const referrers = await stayingReferrers(session, [referralTerm(`Device/${id}`)]);
      if (referrers.some((one) => !among.has(one))) staying.add(id);
    }
    if (staying.size === 0) return alsoErase(session, [...among]);
    going = going.filter((id) => !staying.has(id));
  }
}

/** Adds documents of uploads whose content goes, where nothing that stays points to them. */
export async function eraseDocuments(session: TenantSession, uploadIds: readonly string[]): Promise<void> {
  for (const uploadId of uploadIds) {
    const reference = `DocumentReference/${uploadId}`;
    const referrers = await stayingReferrers(session, [referralTerm(reference)]);
    if (referrers.length === 0 && (await readMany(session, [reference])).length > 0)
      await alsoErase(session, [reference]);
  }
}

/** Adds what is left without meaning: Provenances of nothing that stays, and Binaries to which nothing that stays points. */
export async function eraseWhatHangsOn(service: Service, session: TenantSession): Promise<void> {
  for (let before = -1, list = await erasing(session); list.size > before; list = await erasing(session)) {
    before = list.size;
    const referrers = await stayingReferrers(session, [...list].map(referralTerm));
    const provenances = referrers.filter((one) => one.startsWith("Provenance/"));
    for (const { id, body } of await readMany(session, provenances)) {
      const targets = (JSON.parse(body) as Provenance).target.map(({ reference }) =>
        unversioned(service.definitions.local(reference ?? "")),
      );
      if (targets.every((target) => target !== undefined && list.has(target)))
        await alsoErase(session, [`Provenance/${id}`]);
    }
    await alsoErase(session, await binariesOfErasedAlone(service, session));
  }
}

async function binariesOfErasedAlone(service: Service, session: TenantSession): Promise<string[]> {
  const addresses = await pointedToByErased(session, "Binary");
  const attached = [...new Set(addresses.flatMap((one) => unversioned(service.definitions.local(one)) ?? []))];
  if (attached.length === 0) return [];
  const elsewhere = (await mentionsOf(session, attached)).filter(({ type }) => type !== "Binary");
  return attached.filter((binary) => !elsewhere.some(({ body }) => body.includes(binary)));
}
