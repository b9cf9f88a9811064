import type { AuditEntry } from "../fhir/audit-event.ts";

/** Entries that wait to be written, tenant by tenant, each tenant's in their order. */
export interface AuditQueue {
  size(): number;
  isFull(): boolean;
  /** Whether nothing is to be written for anybody. */
  isEmpty(): boolean;
  /** Something is to be written for the tenant, if not an entry from here. */
  expect(tenantId: number): void;
  push(tenantId: number, entry: AuditEntry): void;
  /** What waits now; what comes later joins behind it. */
  batches(): { readonly tenantId: number; readonly entries: readonly AuditEntry[] }[];
  /** The first `count` of the tenant have been written: whoever waits for room may look again. */
  written(tenantId: number, count: number): void;
  /** What waits of one tenant. */
  of(tenantId: number): readonly AuditEntry[];
  /** Resolves when there may be room, or when there will be none any more. */
  whenRoom(): Promise<void>;
  /** Lets everybody who waits for room look again. */
  wake(): void;
}

/** An empty queue. It is full at `maxEntries`, and still takes what is pushed: to wait is the caller's part. */
export function auditQueue(maxEntries: number): AuditQueue {
  const pending = new Map<number, AuditEntry[]>();
  let size = 0;
  let waiting: (() => void)[] = [];

  function wake(): void {
    const woken = waiting;
    waiting = [];
    for (const look of woken) look();
  }

  return {
    size: () => size,
    isFull: () => size >= maxEntries,
    isEmpty: () => pending.size === 0,
    expect(tenantId) {
      if (!pending.has(tenantId)) pending.set(tenantId, []);
    },
    push(tenantId, entry) {
      size += 1;
      const entries = pending.get(tenantId);
      if (entries === undefined) pending.set(tenantId, [entry]);
      else entries.push(entry);
    },
    batches: () => [...pending].map(([tenantId, entries]) => ({ tenantId, entries: [...entries] })),
    written(tenantId, count) {
      const entries = pending.get(tenantId) ?? [];
      size -= entries.splice(0, count).length;
      if (entries.length === 0) pending.delete(tenantId);
      wake();
    },
    of: (tenantId) => pending.get(tenantId) ?? [],
    whenRoom: () => new Promise((resolve) => waiting.push(resolve)),
    wake,
  };
}
