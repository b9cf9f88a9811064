import type { AuditEntry } from "../fhir/audit-event.ts";
import { type AuditQueue, auditQueue } from "./audit-queue.ts";

/** Entries of reads on their way into the trail. */
export interface AuditBuffer {
  /**
   * Takes an entry; resolves when it is sure to be written unless the process crashes, so an answer waits for this. Rejects
   * where the tenant's run could not be marked as begun, and after `close`: then what was read must not be shown.
   */
  add(tenantId: number, entry: AuditEntry): Promise<void>;
  /** Says that something was noted for the tenant's trail, to be chained soon. */
  touch(tenantId: number): void;
  /** Writes everything added so far; rejects with the first failure, and keeps what was not written. */
  flush(): Promise<void>;
  /** Entries that wait to be written. */
  waiting(): number;
  /** Takes nothing more, writes everything, and marks the end of the run. Never rejects. */
  close(): Promise<void>;
}

/** What did not reach the trail before the process ended, and why. */
export interface AuditLoss {
  readonly tenantId: number;
  /** None where only the mark of the run's end is missing. */
  readonly entries: readonly AuditEntry[];
  readonly error: unknown;
}

/** What a buffer works with. */
export interface AuditBufferOptions {
  /** Writes entries in their order, all or none, after what was noted for the tenant's trail; there may be no entries. */
  append(tenantId: number, entries: readonly AuditEntry[]): Promise<unknown>;
  /** Marks the run's beginning in a tenant's trail, before its first entry is taken, and its end, after the last. */
  readonly run: { start(tenantId: number): Promise<unknown>; stop(tenantId: number): Promise<unknown> };
  /** So many entries wait at most; whoever comes with one more waits too. */
  readonly maxEntries: number;
  /** An entry waits so long at most, while writing succeeds. */
  readonly flushMs: number;
  /** Told of every write that failed and will be tried again. */
  onRetry?(error: unknown): void;
  /** Told at `close` of what could not be written in three tries. */
  onLoss(loss: AuditLoss): void;
}

const closingTries = 3;

/**
 * Reads are many and small: one append for each would make them wait for each other, because a chain has one end. So they
 * are kept here for a moment and appended together. Nothing is ever dropped to make room. After a write that failed
 * without saying whether it was kept, entries may stand in the trail twice, never not at all.
 */
export function auditBuffer(options: AuditBufferOptions): AuditBuffer {
  const queue = auditQueue(options.maxEntries);
  const writer = queueWriter(queue, options);
  const started = new Map<number, Promise<unknown>>();
  const adding = new Set<Promise<void>>();
  let closing: Promise<void> | undefined;
  let lost = false;

  /** A mark that failed is tried again by the next who comes. */
  function start(tenantId: number): Promise<unknown> {
    const known = started.get(tenantId);
    if (known !== undefined) return known;
    const made = options.run.start(tenantId).catch((error: unknown) => {
      started.delete(tenantId);
      throw error;
    });
    started.set(tenantId, made);
    return made;
  }

  async function take(tenantId: number, entry: AuditEntry): Promise<void> {
    await start(tenantId);
    while (queue.isFull() && !lost) {
      writer.writeSoon(0);
      await queue.whenRoom();
    }
    if (lost) throw new Error("the audit trail cannot be written");
    queue.push(tenantId, entry);
    writer.writeSoon(queue.isFull() ? 0 : options.flushMs);
  }

  async function finish(): Promise<void> {
    writer.stopTimer();
    lost = !(await writeUntilEmpty(queue, adding, writer.flush, options.flushMs));
    queue.wake();
    await Promise.allSettled(adding);
    for (const tenantId of started.keys()) await endRun(tenantId, queue.of(tenantId), options);
  }

  return {
    add(tenantId, entry) {
      if (closing !== undefined) return Promise.reject(new Error("the audit buffer is closed"));
      const taken = take(tenantId, entry).finally(() => adding.delete(taken));
      adding.add(taken);
      return taken;
    },
    touch(tenantId) {
      if (closing !== undefined) return; // whoever starts next chains it
      queue.expect(tenantId);
      writer.writeSoon(options.flushMs);
    },
    flush: writer.flush,
    waiting: queue.size,
    close() {
      closing ??= finish();
      return closing;
    },
  };
}

/** Writes what waits, one round at a time so that entries keep their order. */
function queueWriter(queue: AuditQueue, options: AuditBufferOptions) {
  let writing: Promise<void> | undefined;
  let timer: NodeJS.Timeout | undefined;
  let timed = true;

  function writeSoon(delayMs: number): void {
    if (!timed || writing !== undefined) return; // whoever closes, or writes, looks at the queue again
    if (timer !== undefined && delayMs > 0) return;
    clearTimeout(timer);
    timer = setTimeout(() => void flush().catch(() => undefined), delayMs);
  }

  async function flush(): Promise<void> {
    while (writing !== undefined) await writing.catch(() => undefined);
    clearTimeout(timer);
    timer = undefined;
    if (queue.isEmpty()) return;
    let failed = true;
    writing = writeAll(queue, options)
      .then(() => {
        failed = false;
      })
      .finally(() => {
        writing = undefined;
        // What came meanwhile, or failed, must not wait for the next read to be noticed.
        if (!queue.isEmpty()) writeSoon(queue.isFull() && !failed ? 0 : options.flushMs);
      });
    await writing;
  }

  function stopTimer(): void {
    timed = false;
    clearTimeout(timer);
  }

  return { flush, writeSoon, stopTimer };
}

/** A tenant whose trail cannot be written does not hold up the others. */
async function writeAll(queue: AuditQueue, options: AuditBufferOptions): Promise<void> {
  const failures: unknown[] = [];
  for (const { tenantId, entries } of queue.batches()) {
    try {
      await options.append(tenantId, entries);
      queue.written(tenantId, entries.length);
    } catch (error) {
      options.onRetry?.(error);
      failures.push(error);
    }
  }
  if (failures.length > 0) throw failures[0];
}

/** Whether all was written, of those as well who still wait for room; false after the third round that failed. */
async function writeUntilEmpty(
  queue: AuditQueue,
  adding: ReadonlySet<Promise<void>>,
  flush: () => Promise<void>,
  pauseMs: number,
): Promise<boolean> {
  for (let failures = 0; failures < closingTries; ) {
    try {
      await flush();
      if (queue.isEmpty() && adding.size === 0) return true;
      if (queue.isEmpty()) await Promise.race(adding).catch(() => undefined);
    } catch {
      failures += 1;
      if (failures < closingTries) await new Promise((resolve) => setTimeout(resolve, pauseMs));
    }
  }
  return false;
}

/** Marks the end where all was written. Without that mark the next run will say that this one lost something. */
async function endRun(
  tenantId: number,
  left: readonly AuditEntry[],
  { run, onLoss }: AuditBufferOptions,
): Promise<void> {
  if (left.length > 0) {
    onLoss({ tenantId, entries: left, error: new Error("the audit trail could not be written") });
    return;
  }
  try {
    await run.stop(tenantId);
  } catch (error) {
    onLoss({ tenantId, entries: [], error });
  }
}
