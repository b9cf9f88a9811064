import type { Resource } from "@medplum/fhirtypes";
import { useAt } from "../domain/device.ts";
import type { Fact, PatientFacts } from "../domain/facts.ts";
import { effectiveThresholds } from "../domain/threshold-setting.ts";
import type { EpochMs } from "../domain/time.ts";
import { factsOf } from "../fhir/facts.ts";
import { type PastResource, readPastDevices, readPastRecord, readPastSessionStarts } from "../store/as-of.ts";
import type { TenantSession } from "../store/database.ts";
import type { PictureFacts, UseFacts } from "../store/picture.ts";
import { readThresholdSettings } from "../store/threshold-setting.ts";
import { pictureOf, type ReadPicture, thresholdsThatMayApply, windowOf, withEarlierUse } from "./picture.ts";
import type { Service } from "./service.ts";

/**
 * The picture of one patient as it was at a moment of the past, from what was on record then and the thresholds in force
 * then: made from the versions of resources, not from the tables that computations read. Undefined when there was no
 * such patient yet. It costs a look at every version concerned, some hundred times a present picture: for audits, not
 * for lists.
 */
export async function readPastPicture(
  service: Service,
  session: TenantSession,
  patientId: string,
  asOfMs: EpochMs,
): Promise<ReadPicture | undefined> {
  const settings = await readThresholdSettings(session, patientId, asOfMs);
  const window = windowOf(asOfMs, thresholdsThatMayApply(service.thresholds, settings));
  const record = await readPastRecord(session, patientId, { asOfMs, ...window });
  const own = parsed(record);
  const patientResource = own.find((one) => one.resourceType === "Patient" && one.id === patientId);
  if (patientResource === undefined) return undefined;
  const { dayParts } = effectiveThresholds(service.thresholds, settings);
  const stated = (resources: readonly Resource[], zone: string) =>
    resources.flatMap((resource) => factsOf(resource, { zone, dayParts }));
  const [patientFact] = stated([patientResource], service.defaultZone).filter((fact) => fact.kind === "patient");
  if (patientFact === undefined) return undefined;
  const { patient } = patientFact;
  const facts = stated(own, patient.zone);
  const deviceIds = [...new Set(facts.flatMap((fact) => (fact.kind === "device-use" ? [fact.use.deviceId] : [])))];
  const deviceFacts = stated(parsed(await readPastDevices(session, deviceIds, asOfMs)), patient.zone);
  const starts = await readPastSessionStarts(session, patientId, deviceIds, asOfMs);
  const pictureFacts = assembled(patient, [...facts, ...deviceFacts], starts, window);
  const picture = pictureOf(pictureFacts, service.thresholds, settings, asOfMs);
  // Sessions of before the window that were sent later than the moment count too: they are told from facts of today.
  const parts = await withEarlierUse(session, picture, window);
  return { picture: { ...picture, parts }, active: patient.active };
}

function parsed(resources: readonly PastResource[]): Resource[] {
  return resources.map((one) => JSON.parse(one.body) as Resource);
}

function assembled(
  patient: PatientFacts,
  facts: readonly Fact[],
  starts: ReadonlyMap<string | undefined, number>,
  window: { readonly sessionsFromMs: number; readonly coverageFromMs: number },
): PictureFacts {
  const of = <K extends Fact["kind"]>(kind: K) =>
    facts.filter((fact): fact is Extract<Fact, { kind: K }> => fact.kind === kind);
  const last = starts.get(undefined);
  const uses = usesOf(of("device-use"), of("device"), starts);
  const coverage = of("coverage").flatMap((fact) => fact.coverage);
  const newest = new Map<string, number>();
  for (const range of coverage) {
    newest.set(range.deviceId, Math.max(range.endMs, newest.get(range.deviceId) ?? range.endMs));
  }
  const checks = of("clock-check")
    .map((fact) => fact.check)
    .sort((a, b) => a.readMs - b.readMs || (a.uploadId < b.uploadId ? -1 : 1));
  return {
    patient,
    plans: of("plan").map((fact) => fact.plan),
    profiles: of("profile").map((fact) => ({
      ...fact.profile,
      ...(fact.interface === undefined ? {} : { interface: fact.interface }),
    })),
    contraindications: of("contraindication").map((fact) => fact.contraindication),
    absences: of("absence")
      .map((fact) => fact.absence)
      .sort((a, b) => textOrder(a.sourceId, b.sourceId)),
    infections: of("infection").map((fact) => fact.infection),
    screenings: of("screening").map((fact) => fact.screening),
    sessions: of("session")
      .map((fact) => fact.session)
      .filter((one) => one.startMs >= window.sessionsFromMs)
      .sort((a, b) => a.startMs - b.startMs || (a.sessionId < b.sessionId ? -1 : 1)),
    ...(last === undefined ? {} : { lastSessionStartMs: last }),
    uses,
    coverage: coverage
      .filter((range) => range.endMs >= window.coverageFromMs || range.endMs === newest.get(range.deviceId))
      .sort((a, b) => a.startMs - b.startMs || (a.uploadId < b.uploadId ? -1 : 1)),
    alerts: of("alert")
      .map((fact) => fact.alert)
      .filter((one) => one.atMs >= window.sessionsFromMs)
      .sort((a, b) => a.atMs - b.atMs || (a.observationId < b.observationId ? -1 : 1)),
    clockChecks: uses.flatMap(
      (use) => checks.findLast((one) => one.deviceId === use.deviceId && useAt([use], one.readMs) !== undefined) ?? [],
    ),
    tasks: of("task")
      .map((fact) => fact.task)
      .sort((a, b) => textOrder(a.rule, b.rule) || textOrder(a.subject, b.subject) || a.episode - b.episode),
  };
}

function usesOf(
  stated: readonly Extract<Fact, { kind: "device-use" }>[],
  devices: readonly Extract<Fact, { kind: "device" }>[],
  starts: ReadonlyMap<string | undefined, number>,
): UseFacts[] {
  const byId = new Map(devices.map(({ device }) => [device.deviceId, device]));
  return stated
    .map(({ use }): UseFacts => {
      const device = byId.get(use.deviceId);
      const kind = device?.kind ?? "machine";
      const start = kind === "machine" && use.endMs === undefined ? starts.get(use.deviceId) : undefined;
      return {
        ...use,
        kind,
        ...(device?.parentId === undefined ? {} : { parentId: device.parentId }),
        ...(device?.serviceDueDay === undefined ? {} : { serviceDueDay: device.serviceDueDay }),
        ...(start === undefined ? {} : { lastSessionStartMs: start }),
      };
    })
    .sort((a, b) => a.startMs - b.startMs || textOrder(a.useId, b.useId));
}

function textOrder(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}
