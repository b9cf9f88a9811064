import { accepted, type Result } from "../domain/result.ts";
import { type Database, type TenantSession, withholdingOf } from "../store/database.ts";
import { isRetryable, type NewResource, referenceOf } from "../store/resource.ts";
import { commitOne, commitWrites, type Write } from "./commit-writes.ts";
import type { Service } from "./service.ts";
import { writeInTenant } from "./write-in-tenant.ts";

/** A create on its way, with the service as whoever sent it may use it. */
interface Waiting {
  readonly service: Service;
  readonly write: Write;
  resolve(result: Result<NewResource>): void;
  reject(error: unknown): void;
}

/** The creates of one tenant. */
interface Line {
  readonly waiting: Waiting[];
  isCommitting: boolean;
}

/** So many go at most in one transaction. */
const mostTogether = 50;

/** Types of which a write brings others along, or is judged by what else stands in its transaction. */
const alone = new Set(["CarePlan", "DeviceRequest", "MeasureReport", "QuestionnaireResponse", "Subscription"]);

const lines = new WeakMap<Database["pool"], Map<number, Line>>();

/**
 * Creates a resource. Creates of one tenant that come while others are being committed go together in the next transaction:
 * most of what one costs is the way to the server and the wait for its disk. Nobody waits for others to come. Each has its own
 * answer and its own entry in the trail; where the transaction was refused for any of them, each is tried alone.
 */
export function createTogether(service: Service, tenantId: number, write: Write): Promise<Result<NewResource>> {
  if (withholdingOf(service.database.confinement) !== undefined || alone.has(write.type))
    return createAlone(service, tenantId, write);
  const line = lineOf(service.database, tenantId);
  return new Promise((resolve, reject) => {
    line.waiting.push({ service, write, resolve, reject });
    runLine(line, tenantId);
  });
}

function lineOf({ pool }: Database, tenantId: number): Line {
  const ofPool = lines.get(pool) ?? new Map<number, Line>();
  lines.set(pool, ofPool);
  const line = ofPool.get(tenantId) ?? { waiting: [], isCommitting: false };
  ofPool.set(tenantId, line);
  return line;
}

function runLine(line: Line, tenantId: number): void {
  // One transaction at a time: with two the groups are half as large, and both cost more together (measured).
  if (line.isCommitting || line.waiting.length === 0) return;
  line.isCommitting = true;
  // Never rejects: what goes wrong is the answer of each.
  createGroup(line.waiting.splice(0, mostTogether), tenantId).then(() => {
    line.isCommitting = false;
    runLine(line, tenantId);
  });
}

async function createGroup(group: readonly Waiting[], tenantId: number): Promise<void> {
  try {
    const stored = group.length > 1 ? await createAll(group, tenantId) : undefined;
    for (const [i, one] of (stored ?? []).entries()) group[i]?.resolve(accepted(one));
    if (stored === undefined) await Promise.all(group.map((one) => answerAlone(one, tenantId)));
  } catch (error) {
    for (const { reject } of group) reject(error);
  }
}

function answerAlone({ service, write, resolve, reject }: Waiting, tenantId: number): Promise<void> {
  return createAlone(service, tenantId, write).then(resolve, reject);
}

function createAlone(service: Service, tenantId: number, write: Write): Promise<Result<NewResource>> {
  return writeInTenant(service, tenantId, (session) => commitOne(service, session, write, undefined));
}

/** What was stored, in the order of the group; nothing where none was and each must be tried alone. */
async function createAll(group: readonly Waiting[], tenantId: number): Promise<readonly NewResource[] | undefined> {
  const [{ service }] = group as [Waiting];
  const { beforeCommit: _, ...database } = service.database;
  try {
    const made = await writeInTenant({ ...service, database }, tenantId, async (session) => {
      const stored = await commitWrites(
        service,
        session,
        group.map(({ write }) => write),
        new Map(),
      );
      await Promise.all(group.map((one) => one.service.database.beforeCommit?.(partOf(session, one.write))));
      return stored;
    });
    return made.ok ? made.value : undefined;
  } catch (error) {
    if (isUndone(error)) return undefined;
    throw error;
  }
}

/** What the transaction has done for one of the writes, as its entry in the trail tells it. */
function partOf(session: TenantSession, write: Write): TenantSession {
  const reference = referenceOf(write);
  return { ...session, written: session.written.filter((one) => one.reference === reference) };
}

/**
 * Whether the server itself refused something of the rows, so that nothing was kept: bad data, a constraint, a lost race, a
 * limit (https://www.postgresql.org/docs/current/errcodes-appendix.html, classes 22, 23, 40, 54). After any other error it
 * may have been.
 */
function isUndone(error: unknown): boolean {
  return isRetryable(error) || /^(22|23|40|54)/.test((error as { code?: string } | null)?.code ?? "");
}
