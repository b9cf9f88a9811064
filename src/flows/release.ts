import { disclosurePolicies } from "../domain/disclosure/policy.ts";
import { localDayOf } from "../domain/local-day.ts";
import { noisePolicy } from "../domain/population/noisy-figures.ts";
import { isOver, periodOf } from "../domain/population/period.ts";
import type { ReleaseBody } from "../domain/population/release-body.ts";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { allows, readScopes } from "../fhir/scopes.ts";
import { listClients } from "../store/client.ts";
import { inTenant, readSnapshotInTenant, type TenantSession } from "../store/database.ts";
import {
  addRelease,
  type Doer,
  findRelease,
  listReleases,
  lockReleases,
  lookAtReleases,
  publishedNumbers,
  queueRelease,
  type ReleaseSight,
  type StoredRelease,
  saveSigned,
  saveWithdrawn,
  standingRelease,
} from "../store/release.ts";
import type { AuditSummary, PolicyName } from "./make-release.ts";
import { publishReports, withdrawReports } from "./release-reports.ts";
import type { Service } from "./service.ts";

export type { ReleaseBody, ReleaseRow, ReleaseTable } from "../domain/population/release-body.ts";
export type { Doer, ReleaseSight, StoredRelease } from "../store/release.ts";

/** The frozen content with its hash, which is the hash of exactly this text. */
export interface FrozenRelease {
  readonly release: StoredRelease;
  readonly text: string;
  readonly sha256: string;
}

/** Names of the policies, for the door. */
export const policyNames: readonly PolicyName[] = [
  ...(Object.keys(disclosurePolicies) as (keyof typeof disclosurePolicies)[]),
  noisePolicy.name,
];

/**
 * Asks for a release of a period of the grid. One that already stands is the answer where there is one, so that asking
 * again gives the same bytes; where it is still computing, its job is queued again in case it was lost.
 */
export async function requestRelease(
  service: Service,
  tenantId: number,
  asked: { readonly period: string; readonly policy: string; readonly by: Doer },
): Promise<Result<{ readonly release: StoredRelease; readonly isNew: boolean }>> {
  const period = periodOf(asked.period);
  if (period === undefined) {
    const detail =
      "Ask for a month, a quarter or a year of the calendar: 2026-05, 2026-Q2 or 2026. There are no other periods.";
    return refused({ kind: "value", detail, at: "period", status: 400 });
  }
  if (!isOver(period, localDayOf(service.now(), service.defaultZone))) {
    const detail = `${period.code} is not over. Ask for it from ${period.endDay} on; better some weeks later, for records may come late.`;
    return refused({ kind: "business-rule", detail, at: "period", status: 422 });
  }
  return lookingAtAll(service, tenantId, async (session) => {
    await lockReleases(session);
    const standing = await standingRelease(session, period.code, asked.policy);
    if (standing?.state === "computing") await queueRelease(session, standing.number);
    if (standing !== undefined) return accepted({ release: standing, isNew: false });
    const number = await addRelease(session, {
      period: period.code,
      policy: asked.policy,
      asked: asked.by,
      atMs: service.now(),
    });
    return accepted({ release: await foundAgain(session, number), isNew: true });
  });
}

/** Releases below a number, last first: those that were signed off and stand, or all of them. */
export function releases(
  service: Service,
  tenantId: number,
  sight: ReleaseSight,
  page: { readonly count: number; readonly below: number },
): Promise<StoredRelease[]> {
  return readSnapshotInTenant(service.database, tenantId, async (session) => {
    await lookAtReleases(session, sight);
    return listReleases(session, page.count, page.below, sight === "all" ? undefined : "released");
  });
}

/** One release; 404 where it is not there for these eyes, 410 where it was withdrawn after it was published. */
export async function readRelease(
  service: Service,
  tenantId: number,
  number: number,
  sight: ReleaseSight,
): Promise<Result<StoredRelease>> {
  const found = await readSnapshotInTenant(service.database, tenantId, async (session) => {
    await lookAtReleases(session, sight);
    return findRelease(session, number);
  });
  if (found === undefined) return refused(noRelease(number));
  if (found.state === "withdrawn" && sight === "released") return refused(gone(found));
  return accepted(found);
}

/** The frozen content of a release that has one; 409 where it was not made yet or never will be. */
export async function readFrozen(
  service: Service,
  tenantId: number,
  number: number,
  sight: ReleaseSight,
): Promise<Result<FrozenRelease>> {
  const read = await readRelease(service, tenantId, number, sight);
  if (!read.ok) return read;
  const { body, sha256 } = read.value;
  if (read.value.state === "withdrawn") return refused(gone(read.value));
  if (body === undefined || sha256 === undefined) {
    const { state, reason } = read.value;
    const detail =
      state === "refused"
        ? `Release ${number} was refused: ${reason}`
        : `Release ${number} is still being made. Ask again in a minute.`;
    return refused({ kind: "conflict", detail, status: 409 });
  }
  return accepted({ release: read.value, text: body, sha256 });
}

/** The content of a frozen release. */
export function bodyOf({ text }: Pick<FrozenRelease, "text">): ReleaseBody {
  return JSON.parse(text) as ReleaseBody;
}

/** The audit's summary of a release that has one. */
export function auditOf({ audit }: StoredRelease): AuditSummary | undefined {
  return audit === undefined ? undefined : (JSON.parse(audit) as AuditSummary);
}

/** The release of a period of the grid that was signed off and stands, the newest of several policies. */
export async function releasedOf(
  service: Service,
  tenantId: number,
  period: string,
): Promise<FrozenRelease | undefined> {
  return readSnapshotInTenant(service.database, tenantId, async (session) => {
    await lookAtReleases(session, "released");
    const found = await standingRelease(session, period);
    if (found?.body === undefined || found.sha256 === undefined) return undefined;
    return { release: found, text: found.body, sha256: found.sha256 };
  });
}

/**
 * Publishes a draft. Four eyes: not by the person who asked, and not by the client that asked unless no other may sign.
 * Refused also where something was published since the audit, which then says nothing of both together.
 */
export async function signRelease(
  service: Service,
  tenantId: number,
  number: number,
  by: Doer,
): Promise<Result<StoredRelease>> {
  return lookingAtAll(service, tenantId, async (session) => {
    await lockReleases(session);
    const found = await findRelease(session, number);
    if (found === undefined) return refused(noRelease(number));
    if (found.state !== "drafted") {
      const detail = `Release ${number} is ${found.state}, and only a draft can be signed off.`;
      return refused({ kind: "conflict", detail, status: 409 });
    }
    const eyes = await sameEyes(session, found, by);
    if (eyes !== undefined) return refused(eyes);
    const against = new Set(auditOf(found)?.against);
    const since = (await publishedNumbers(session)).filter((one) => !against.has(one));
    if (since.length > 0) {
      const detail = `Release ${since.join(", ")} was published after this draft was audited. Withdraw the draft and ask for it again.`;
      return refused({ kind: "conflict", detail, status: 409 });
    }
    if (!(await saveSigned(session, number, by, service.now()))) throw new Error("a locked draft could not be signed");
    await publishReports(service, session, bodyOf({ text: found.body ?? "" }));
    return accepted(await foundAgain(session, number));
  });
}

/** Takes a draft or a published release back, for a reason that readers are told. Its content stays as it was. */
export async function withdrawRelease(
  service: Service,
  tenantId: number,
  number: number,
  by: Doer,
  reason: string,
): Promise<Result<StoredRelease>> {
  return lookingAtAll(service, tenantId, async (session) => {
    await lockReleases(session);
    const found = await findRelease(session, number);
    if (found === undefined) return refused(noRelease(number));
    if (!(await saveWithdrawn(session, number, by, reason, service.now()))) {
      const detail = `Release ${number} is ${found.state}: only a draft or a published release can be withdrawn.`;
      return refused({ kind: "conflict", detail, status: 409 });
    }
    if (found.state === "released") await withdrawReports(service, session, number);
    return accepted(await foundAgain(session, number));
  });
}

function lookingAtAll<T>(service: Service, tenantId: number, work: (session: TenantSession) => Promise<T>): Promise<T> {
  return inTenant(service.database, tenantId, async (session) => {
    await lookAtReleases(session, "all");
    return work(session);
  });
}

async function foundAgain(session: TenantSession, number: number): Promise<StoredRelease> {
  const found = await findRelease(session, number);
  if (found === undefined) throw new Error("a release vanished");
  return found;
}

async function sameEyes(session: TenantSession, { asked }: StoredRelease, by: Doer): Promise<Refusal | undefined> {
  if (nameKey(asked.name) === nameKey(by.name)) {
    const detail =
      "Whoever asked for a release does not sign it off: have a second person look at the draft and sign it.";
    return { kind: "business-rule", detail, at: "name", status: 422 };
  }
  if (asked.clientId !== by.clientId || !(await anotherMaySign(session, by.clientId))) return undefined;
  const detail =
    "The client that asked for a release does not sign it off while another one may: sign it off with that one.";
  return { kind: "business-rule", detail, status: 422 };
}

const nameKey = (name: string) =>
  name
    .normalize("NFKC")
    .toLowerCase()
    .replace(/[^\p{L}\p{N}]+/gu, " ")
    .trim();

async function anotherMaySign(session: TenantSession, clientId: string): Promise<boolean> {
  for (let afterId: string | undefined = ""; afterId !== undefined; ) {
    const page: Awaited<ReturnType<typeof listClients>> = await listClients(session, 200, afterId);
    const may = page.some(
      (one) =>
        one.clientId !== clientId &&
        one.disabledMs === undefined &&
        allows(readScopes(one.scopes.join(" ")).scopes, { context: "tidegate", of: "releases", to: "u" }),
    );
    if (may) return true;
    afterId = page.length === 200 ? page.at(-1)?.clientId : undefined;
  }
  return false;
}

function noRelease(number: number): Refusal {
  const detail = `There is no release ${number} here. GET /api/v1/releases lists those that there are.`;
  return { kind: "not-found", detail, status: 404 };
}

function gone({ number, withdrawn, reason }: StoredRelease): Refusal {
  const day = new Date(withdrawn?.atMs ?? 0).toISOString().slice(0, 10);
  const detail = `Release ${number} was withdrawn on ${day}: ${reason} Do not use its figures any more; GET /api/v1/releases lists those that stand.`;
  return { kind: "deleted", detail, status: 410 };
}
