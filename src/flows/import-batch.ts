import type { Resource } from "@medplum/fhirtypes";
import { localTarget, referencesIn } from "../fhir/references.ts";
import { hasSameContent } from "../fhir/same-content.ts";
import { type BulkJob, lookAtBulk } from "../store/bulk-job.ts";
import { type TenantSession, withTheirEyes } from "../store/database.ts";
import { presentAndHeld } from "../store/references.ts";
import { referenceOf } from "../store/resource.ts";
import { commitWrites } from "./commit-writes.ts";
import type { CheckedLine, RefusedLine } from "./import-line.ts";
import { type ImportPlace, placeAfter } from "./import-place.ts";
import { lockSeen, refuseWithheld } from "./seen-by-writer.ts";
import type { Service } from "./service.ts";
import { writeInTenant } from "./write-in-tenant.ts";

/** What the lines of an import are settled with. */
export interface ImportRun {
  /** Writes as the client that sent them. */
  readonly service: Service;
  readonly tenantId: number;
  readonly job: BulkJob;
}

/**
 * Settles lines in one transaction, which also notes where the import goes on; no two are of the same resource. Where a line
 * is refused, in two transactions of half as many, so that it refuses only itself. Answers the place behind them.
 */
export async function settleLines(
  run: ImportRun,
  lines: readonly (CheckedLine | RefusedLine)[],
  place: ImportPlace,
): Promise<ImportPlace> {
  const { service, tenantId, job } = run;
  const good = lines.filter(isChecked);
  const bad = lines.filter((line) => !isChecked(line)) as readonly RefusedLine[];
  const done = await writeInTenant(service, tenantId, async (session) => {
    // Another's job for now: its own transaction sees what it must of it.
    await lookAtBulk(session, "*");
    const later = place.mayWait ? await pointingNowhere(service, session, good) : new Set<CheckedLine>();
    const stored = await storeAll(
      service,
      session,
      good.filter((line) => !later.has(line)),
    );
    return placeAfter(session, job, place, lines.at(-1)?.number ?? place.line, { ...stored, refused: bad, later });
  });
  if (done.ok) return done.value;
  if (good.length > 1) {
    const half = Math.ceil(lines.length / 2);
    return settleLines(run, lines.slice(half), await settleLines(run, lines.slice(0, half), place));
  }
  if (good.length === 0) throw new Error("lines that were not to be stored were refused");
  const marked = lines.map((line) => (isChecked(line) ? { ...line, refusals: done.refusals } : line));
  return settleLines(run, marked, place);
}

function isChecked(line: CheckedLine | RefusedLine): line is CheckedLine {
  return !("refusals" in line);
}

async function storeAll(
  service: Service,
  session: TenantSession,
  lines: readonly CheckedLine[],
): Promise<{ readonly stored: number; readonly unchanged: number }> {
  const references = lines.map(({ write }) => referenceOf(write));
  const seen = await lockSeen(service, session, references);
  await refuseWithheld(service, session, references, seen);
  const current = new Map(seen.map((one) => [referenceOf(one), one]));
  const changing = lines.filter(({ write }) => {
    const before = current.get(referenceOf(write));
    if (before === undefined || before.deleted) return true;
    const stamp = {
      id: before.id,
      versionId: String(before.version),
      lastUpdated: new Date(before.lastUpdatedMs).toISOString(),
    };
    return !hasSameContent(write.exact, { body: before.body, stamp });
  });
  const writes = changing.map(({ write }) => write);
  await commitWrites(service, session, writes, current);
  return { stored: writes.length, unchanged: lines.length - writes.length };
}

/** Lines that point to what is neither here nor in another line that stays. */
async function pointingNowhere(
  service: Service,
  session: TenantSession,
  lines: readonly CheckedLine[],
): Promise<Set<CheckedLine>> {
  const away = new Set<CheckedLine>();
  if (service.referencePolicy === "accept") return away;
  const targets = new Map(lines.map((line) => [line, targetsOf(service, line.write.resource)]));
  const own = new Map(lines.map((line) => [referenceOf(line.write), line]));
  const asked = [...new Set([...targets.values()].flat())].filter((target) => !own.has(target));
  const present = await withTheirEyes(service.database, session, () => presentAndHeld(session, asked));
  const isHere = (target: string) => {
    const line = own.get(target);
    return line === undefined ? present.has(target) : !away.has(line);
  };
  // A line that stays away takes those along that point to it.
  for (let before = -1; before !== away.size; ) {
    before = away.size;
    for (const [line, needed] of targets) if (!away.has(line) && !needed.every(isHere)) away.add(line);
  }
  return away;
}

function targetsOf(service: Service, resource: Resource): string[] {
  return referencesIn(resource).flatMap(({ reference }) => {
    const target = localTarget(service.definitions.local(reference));
    return target === undefined ? [] : [`${target.type}/${target.id}`];
  });
}
