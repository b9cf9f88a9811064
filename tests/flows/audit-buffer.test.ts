import { setTimeout as sleep } from "node:timers/promises";
import fc from "fast-check";
import { describe, expect, test, vi } from "vitest";
import type { AuditEntry } from "../../src/fhir/audit-event.ts";
import { type AuditBufferOptions, type AuditLoss, auditBuffer } from "../../src/flows/audit-buffer.ts";

function entry(requestId: string): AuditEntry {
  return {
    atMs: 0,
    clientId: "ward-app",
    action: "R",
    kind: "rest",
    outcome: "0",
    route: "/fhir/:type/:id",
    requestId,
    patientIds: [],
    entities: [],
  };
}

/** A buffer over a trail in memory: what was written of each tenant, marks among it. */
function bufferOver(options: Partial<AuditBufferOptions> = {}) {
  const trail: string[] = [];
  const losses: AuditLoss[] = [];
  const batches: number[] = [];
  const buffer = auditBuffer({
    append: async (tenantId, entries) => {
      await sleep(1);
      batches.push(entries.length);
      trail.push(...entries.map((one) => `${tenantId} ${one.requestId}`));
    },
    run: {
      start: async (tenantId) => trail.push(`${tenantId} start`),
      stop: async (tenantId) => trail.push(`${tenantId} stop`),
    },
    maxEntries: 100,
    flushMs: 5,
    onLoss: (loss) => losses.push(loss),
    ...options,
  });
  return { buffer, trail, losses, batches };
}

/** A door that lets nobody through until it is opened. */
function gate() {
  let open = () => {};
  const opened = new Promise<void>((resolve) => {
    open = resolve;
  });
  return { opened, open };
}

const isSettled = (promise: Promise<unknown>) =>
  Promise.race([promise.then(() => true).catch(() => true), sleep(30).then(() => false)]);

describe("entries reach the trail", () => {
  test("by themselves, after the time an entry may wait", async () => {
    const { buffer, trail } = bufferOver();
    await buffer.add(1, entry("a"));
    expect(trail).toEqual(["1 start"]);
    await vi.waitFor(() => expect(trail).toEqual(["1 start", "1 a"]));
    await buffer.close();
  });

  test("at once when the buffer is full", async () => {
    const { buffer, trail } = bufferOver({ maxEntries: 2, flushMs: 60_000 });
    await buffer.add(1, entry("a"));
    await buffer.add(1, entry("b"));
    await vi.waitFor(() => expect(trail).toEqual(["1 start", "1 a", "1 b"]));
    await buffer.close();
  });

  test("at a clean close, every one, and then the mark of the end in each trail", async () => {
    const { buffer, trail, losses } = bufferOver({ flushMs: 60_000 });
    await Promise.all([buffer.add(1, entry("a")), buffer.add(2, entry("b")), buffer.add(1, entry("c"))]);
    await buffer.close();
    expect(trail.filter((line) => line.startsWith("1"))).toEqual(["1 start", "1 a", "1 c", "1 stop"]);
    expect(trail.filter((line) => line.startsWith("2"))).toEqual(["2 start", "2 b", "2 stop"]);
    expect(losses).toEqual([]);
  });

  test("many together in one append", async () => {
    const { buffer, batches } = bufferOver({ flushMs: 60_000 });
    await Promise.all(Array.from({ length: 40 }, (_, n) => buffer.add(1, entry(`${n}`))));
    await buffer.flush();
    expect(batches).toEqual([40]);
    await buffer.close();
  });

  test("a flush also writes what came while an earlier one was writing", async () => {
    const { buffer, trail } = bufferOver({ flushMs: 60_000 });
    await buffer.add(1, entry("a"));
    const first = buffer.flush();
    await buffer.add(1, entry("b"));
    await Promise.all([first, buffer.flush()]);
    expect(trail).toEqual(["1 start", "1 a", "1 b"]);
    await buffer.close();
  });

  test("closing twice marks the end once, and nothing is taken afterwards", async () => {
    const { buffer, trail } = bufferOver();
    await buffer.add(1, entry("a"));
    await Promise.all([buffer.close(), buffer.close()]);
    expect(trail).toEqual(["1 start", "1 a", "1 stop"]);
    await expect(buffer.add(1, entry("b"))).rejects.toThrow("closed");
  });

  test("all of them, each once and in order, whatever the sizes and however the writer fails", async () => {
    const plan = fc.record({
      maxEntries: fc.integer({ min: 1, max: 5 }),
      tenants: fc.array(fc.integer({ min: 1, max: 3 }), { maxLength: 30 }),
      failures: fc.array(fc.boolean(), { maxLength: 10 }),
    });
    await fc.assert(
      fc.asyncProperty(plan, async ({ maxEntries, tenants, failures }) => {
        const script = [...failures];
        const trail: string[] = [];
        const { buffer, losses } = bufferOver({
          maxEntries,
          flushMs: 1,
          append: async (tenantId, entries) => {
            await Promise.resolve();
            if (script.shift()) throw new Error("the server is away");
            trail.push(...entries.map((one) => `${tenantId} ${one.requestId}`));
          },
        });
        await Promise.all(tenants.map((tenantId, n) => buffer.add(tenantId, entry(`${n}`))));
        script.length = 0; // a close gives up after three failures
        await buffer.close();
        const sent = tenants.map((tenantId, n) => `${tenantId} ${n}`);
        for (const tenant of ["1 ", "2 ", "3 "]) {
          const of = (lines: string[]) => lines.filter((line) => line.startsWith(tenant));
          expect(of(trail)).toEqual(of(sent));
        }
        expect(losses).toEqual([]);
      }),
      { numRuns: 100 },
    );
  });
});

describe("a full buffer", () => {
  test("makes whoever comes wait until there is room, and drops nothing", async () => {
    const { opened, open } = gate();
    const written: string[] = [];
    const { buffer } = bufferOver({
      maxEntries: 2,
      append: async (_tenant, entries) => {
        await opened;
        written.push(...entries.map((one) => one.requestId));
      },
    });
    await buffer.add(1, entry("a"));
    await buffer.add(1, entry("b"));
    const third = buffer.add(1, entry("c"));
    expect(await isSettled(third)).toBe(false);
    open();
    await third;
    await buffer.close();
    expect(written).toEqual(["a", "b", "c"]);
  });

  test("at close lets those in who still wait for room", async () => {
    const { opened, open } = gate();
    const { buffer, losses, batches } = bufferOver({
      maxEntries: 1,
      run: { start: () => opened, stop: async () => {} },
    });
    const adds = ["a", "b", "c", "d"].map((name) => buffer.add(1, entry(name)));
    const closed = buffer.close();
    open();
    await Promise.all([...adds, closed]);
    expect(batches.reduce((sum, count) => sum + count, 0)).toBe(4);
    expect(losses).toEqual([]);
  });
});

describe("when the trail cannot be written", () => {
  test("entries are kept and tried again, and each failure is told", async () => {
    const told: unknown[] = [];
    let away = true;
    const written: string[] = [];
    const { buffer } = bufferOver({
      onRetry: (error) => told.push(error),
      append: async (_tenant, entries) => {
        if (away) throw new Error("the server is away");
        written.push(...entries.map((one) => one.requestId));
      },
    });
    await buffer.add(1, entry("a"));
    await vi.waitFor(() => expect(told.length).toBeGreaterThan(1));
    await expect(buffer.flush()).rejects.toThrow("the server is away");
    away = false;
    await vi.waitFor(() => expect(written).toEqual(["a"]));
    await buffer.close();
  });

  test("a close that cannot write says what is lost, turns away who waits, and marks no end in that trail", async () => {
    const stopped: number[] = [];
    const { buffer, losses } = bufferOver({
      maxEntries: 2,
      append: async (tenantId) => {
        if (tenantId === 1) throw new Error("the server is away");
      },
      run: { start: async () => {}, stop: async (tenantId) => stopped.push(tenantId) },
    });
    await Promise.all([buffer.add(2, entry("z")), buffer.add(1, entry("a"))]);
    await buffer.flush().catch(() => undefined);
    await buffer.add(1, entry("b"));
    const waiting = buffer.add(1, entry("c"));
    const turnedAway = expect(waiting).rejects.toThrow("cannot be written");
    await buffer.close();
    await turnedAway;
    const lost = losses.map(({ tenantId, entries }) => [tenantId, entries.map((one) => one.requestId)]);
    expect(lost).toEqual([[1, ["a", "b"]]]);
    expect(stopped).toEqual([2]);
  });

  test("a read is not answered where the beginning of the run could not be marked, and the next read tries again", async () => {
    const tries: number[] = [];
    const start = async (tenantId: number) => {
      if (tries.push(tenantId) === 1) throw new Error("the server is away");
    };
    const { buffer } = bufferOver({ run: { start, stop: async () => {} } });
    await expect(buffer.add(1, entry("a"))).rejects.toThrow("the server is away");
    await buffer.add(1, entry("b"));
    await buffer.add(1, entry("c"));
    expect(tries).toEqual([1, 1]);
    await buffer.close();
  });

  test("a mark of the end that fails is told as a loss of nothing else", async () => {
    const error = new Error("the server is away");
    const { buffer, losses } = bufferOver({ run: { start: async () => {}, stop: () => Promise.reject(error) } });
    await buffer.add(1, entry("a"));
    await buffer.close();
    expect(losses).toEqual([{ tenantId: 1, entries: [], error }]);
  });
});
