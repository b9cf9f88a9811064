import { addDays, localDayOf } from "../src/domain/local-day.ts";
import type { Refusal } from "../src/domain/result.ts";
import type { LocalDay } from "../src/domain/time.ts";
import { erasedPeople } from "../src/flows/erase-person.ts";
import { read } from "../src/flows/read-resource.ts";
import { defaultSerialSystem, recordUse } from "../src/flows/record-use.ts";
import { reviewPatient } from "../src/flows/review-patient.ts";
import { reviewUnmatched } from "../src/flows/review-unmatched.ts";
import type { Service } from "../src/flows/service.ts";
import { readThresholds, setThresholds } from "../src/flows/thresholds.ts";
import { updateResource } from "../src/flows/write-resource.ts";
import { machines } from "./scenario/machines.ts";
import { people } from "./scenario/people.ts";
import { playUploads } from "./scenario/play.ts";
import { anchorUse, type Identified, storyResources } from "./scenario/resources.ts";
import { careTeamId } from "./scenario/service.ts";
import type { PlayedUpload } from "./scenario/uploads.ts";

/** How the story is played. */
export interface LoadOptions {
  /** The day on which the story ends; its last records are of the evening before. */
  readonly today: LocalDay;
  readonly onProgress?: (text: string) => void;
  /** Another order of the uploads, for tests: the outcome must not depend on it. */
  readonly orderUploads?: (uploads: readonly PlayedUpload[]) => readonly PlayedUpload[];
}

const maxBytes = 1_000_000;

/**
 * Plays the demo scenario into a tenant through the same flows that the doors use, then reviews everybody.
 * Loading it again changes nothing; a database in which it was loaded on an earlier day keeps that day, because
 * moving the story would give everybody a second set of sessions. Whoever was erased since does not come back.
 */
export async function loadDemo(service: Service, tenantId: number, options: LoadOptions): Promise<void> {
  const { onProgress = () => undefined, orderUploads = (uploads) => uploads } = options;
  const today = (await dayOfEarlierLoad(service, tenantId)) ?? options.today;
  const resources = storyResources(today);
  const everybody = people.map(({ id }) => id);
  const erased = await erasedPeople(service, tenantId, everybody);
  const isErased = (text: string) =>
    [...erased].some((id) => text.includes(`"Patient/${id}"`) || text.includes(`"id":"${id}"`));
  for (const resource of resources) {
    if (erased.size === 0 || !isErased(JSON.stringify(resource))) await putOnce(service, tenantId, resource);
  }
  onProgress(`${people.length} invented people, ${machines.length} machines: ${resources.length} resources.`);
  await configure(service, tenantId, erased);
  const uploads = orderUploads(playUploads(today));
  let sessions = 0;
  for (const upload of uploads) sessions += await send(service, tenantId, upload);
  onProgress(`${uploads.length} uploads with ${sessions} sessions not known before.`);
  for (const { id } of people) await reviewPatient(service, tenantId, id);
  for (const { serial } of machines) await reviewUnmatched(service, tenantId, `${defaultSerialSystem}|${serial}`);
  onProgress("Everybody reviewed.");
}

async function dayOfEarlierLoad(service: Service, tenantId: number): Promise<LocalDay | undefined> {
  const found = await read(service, tenantId, "DeviceUseStatement", anchorUse.id);
  if (!found.ok) return undefined;
  const { timingPeriod } = JSON.parse(found.value.body) as { timingPeriod?: { start?: string } };
  if (timingPeriod?.start === undefined) return undefined;
  return addDays(localDayOf(Date.parse(timingPeriod.start), anchorUse.zone), -anchorUse.day);
}

/** What the invented service has set for itself: who is asked first, and whose use is watched for change. */
async function configure(service: Service, tenantId: number, erased: ReadonlySet<string>): Promise<void> {
  const owner = `CareTeam/${careTeamId}`;
  await setOnce(service, tenantId, undefined, { taskRouting: { value: [{ owner }], source: "Invented service" } });
  const changeSignal = { ...service.thresholds.changeSignal, on: true };
  for (const { id, plan } of people) {
    if (plan?.watched !== true || erased.has(id)) continue;
    const planId = id.replace("patient-", "plan-");
    await setOnce(service, tenantId, planId, {
      changeSignal: { value: changeSignal, source: "Agreed with the patient" },
    });
  }
}

/** Sets what nobody has set yet; what somebody has set since stays. */
async function setOnce(
  service: Service,
  tenantId: number,
  planId: string | undefined,
  settings: object,
): Promise<void> {
  const found = await readThresholds(service, tenantId, planId);
  if (!found.ok) throw new Error(inWords(found.refusals));
  if (found.value.own !== undefined) return;
  const set = await setThresholds(service, tenantId, planId, { settings, note: "Part of the demo scenario." });
  if (!set.ok) throw new Error(inWords(set.refusals));
}

/** Writes a resource that is not there yet. What somebody has changed or deleted since stays as they left it. */
async function putOnce(service: Service, tenantId: number, resource: Identified): Promise<void> {
  const { resourceType: type, id } = resource;
  const found = await read(service, tenantId, type, id);
  if (found.ok || found.refusals.some((one) => one.kind === "deleted")) return;
  const written = await updateResource(service, tenantId, { type, id }, JSON.stringify(resource));
  if (!written.ok) throw new Error(`${type}/${id} was refused: ${inWords(written.refusals)}`);
}

/** Sends one upload; answers how many of its sessions were new. That an unregistered machine is refused is in the story. */
async function send(service: Service, tenantId: number, upload: PlayedUpload): Promise<number> {
  const arrived = { bytes: Buffer.from(upload.text), contentType: "application/json", contentEncoding: "identity" };
  const report = await recordUse(service, tenantId, arrived, { maxBytes });
  // Erased with its person since the story was played.
  if (!report.ok && report.refusals.some((one) => one.kind === "deleted")) return 0;
  const unregistered = machines.some((machine) => machine.serial === upload.serial && machine.unregistered === true);
  if (report.ok === unregistered)
    throw new Error(`${upload.serial} was ${report.ok ? "taken in" : inWords(report.refusals)}`);
  return report.ok ? report.value.created : 0;
}

function inWords(refusals: readonly Refusal[]): string {
  return refusals.map(({ at, detail }) => `${at ?? ""} ${detail}`).join(" ");
}
