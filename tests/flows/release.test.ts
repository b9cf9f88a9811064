import { createHash } from "node:crypto";
import { afterAll, beforeEach, describe, expect, test } from "vitest";
import type { Period } from "../../src/domain/population/figures.ts";
import { makeRelease, type ReleaseWorks } from "../../src/flows/make-release.ts";
import {
  auditOf,
  bodyOf,
  readFrozen,
  readRelease,
  releasedOf,
  releases,
  requestRelease,
  signRelease,
  withdrawRelease,
} from "../../src/flows/release.ts";
import { onServer } from "../support/database.ts";
import { ada, ben, drafted, madeUpWorks, type PlaceCounts, published } from "../support/made-up-figures.ts";
import { type TestService, testService } from "../support/service.ts";

const open: TestService[] = [];
let here: TestService;
let counts: Record<string, PlaceCounts>;
let works: ReleaseWorks;
const usual = { north: 40, south: 22, west: 3 };

beforeEach(async () => {
  here = await testService("2026-08-10T12:00:00Z");
  open.push(here);
  counts = {};
  works = await madeUpWorks(({ code }: Period) => counts[code] ?? usual);
});

afterAll(() => Promise.all(open.map((one) => one.close())));

const ask = (period: string, by = ada) => requestRelease(here.service, here.tenantId, { period, policy: "hes", by });
const read = async (number: number) => {
  const found = await readRelease(here.service, here.tenantId, number, "all");
  if (!found.ok) throw new Error(JSON.stringify(found.refusals));
  return found.value;
};
const sign = (number: number, by = ben) => signRelease(here.service, here.tenantId, number, by);
const withdraw = (number: number) =>
  withdrawRelease(here.service, here.tenantId, number, ben, "West was counted twice.");
const details = (result: { ok: true } | { ok: false; refusals: readonly { detail: string }[] }) =>
  result.ok ? [] : result.refusals.map(({ detail }) => detail);

describe("a release is asked for", () => {
  test.each(["2026-13", "2026-W20", "2026-05-01/2026-05-14", "May", ""])(
    "not of %j: the grid has no such period",
    async (period) => {
      expect(details(await ask(period))).toEqual([expect.stringContaining("Ask for a month, a quarter or a year")]);
    },
  );

  test("not before its period is over", async () => {
    expect(details(await ask("2026-08"))).toEqual([
      expect.stringContaining("is not over. Ask for it from 2026-09-01 on"),
    ]);
  });

  test("and queues one job, however often", async () => {
    await ask("2026-05");
    const again = await ask("2026-05");
    expect(again).toMatchObject({ ok: true, value: { isNew: false, release: { number: 1, state: "computing" } } });
    const jobs = await onServer(here.connectionString, (owner) =>
      owner.query("select payload from graphile_worker._private_jobs where key like 'release:%'"),
    );
    expect(jobs.rows).toEqual([{ payload: { tenantId: here.tenantId, number: 1 } }]);
  });

  test("at one moment by several, and there is one", async () => {
    const answers = await Promise.all(Array.from({ length: 6 }, () => ask("2026-05")));
    const numbers = answers.map((answer) => (answer.ok ? answer.value.release.number : answer.refusals));
    expect(new Set(numbers)).toEqual(new Set([1]));
    expect(answers.filter((answer) => answer.ok && answer.value.isNew)).toHaveLength(1);
  });

  test("again, and the very same bytes are the answer", async () => {
    const number = await published(here, works, "2026-05");
    const before = await read(number);
    counts = { "2026-05": { north: 90, south: 90, west: 90 } };
    const again = await ask("2026-05");
    expect(again).toMatchObject({ ok: true, value: { isNew: false, release: { number } } });
    await makeRelease(here.service, works, here.tenantId, number);
    expect((await read(number)).body).toBe(before.body);
    expect(before.sha256).toBe(
      createHash("sha256")
        .update(before.body ?? "")
        .digest("hex"),
    );
  });
});

describe("a draft", () => {
  test("shows rounded figures, hides the small ones, and tells nothing of them", async () => {
    const number = await drafted(here, works, "2026-05");
    const frozen = await readFrozen(here.service, here.tenantId, number, "all");
    if (!frozen.ok) throw new Error(JSON.stringify(frozen.refusals));
    const [people, low, median] = bodyOf(frozen.value).tables;
    // HES: 40 is 40, 22 is 20, 3 is hidden, 65 in all (docs of the policy in src/domain/disclosure/policy.ts).
    expect(people?.rows.map(({ count }) => count)).toEqual([65, 40, 20, null]);
    expect(low?.rows.map(({ count }) => count)).toEqual([20, 15, null, null]);
    expect(median?.rows.map(({ median: shown }) => shown)).toEqual([61.5, 61.5, 61.5, null]);
    expect(frozen.value.text).not.toMatch(/"why"|secondary|roles|"persons"/);
  });

  test("keeps the progress of its making and the audit that it passed", async () => {
    const made = await read(await drafted(here, works, "2026-05"));
    expect(made).toMatchObject({ state: "drafted", progress: { done: 60, total: 60 } });
    expect(auditOf(made)).toMatchObject({ passes: true, cells: 12, against: [] });
  });

  test("is not there for a commissioner", async () => {
    const number = await drafted(here, works, "2026-05");
    expect(await readRelease(here.service, here.tenantId, number, "released")).toMatchObject({
      ok: false,
      refusals: [{ status: 404 }],
    });
    expect(await releases(here.service, here.tenantId, "released", { count: 50, below: 1_000 })).toEqual([]);
    expect(await releasedOf(here.service, here.tenantId, "2026-05")).toBeUndefined();
  });

  test("made again by a job that was lost is the same", async () => {
    const number = await drafted(here, works, "2026-05");
    const { body } = await read(number);
    counts = { "2026-05": { north: 1, south: 1, west: 1 } };
    await makeRelease(here.service, works, here.tenantId, number);
    expect((await read(number)).body).toBe(body);
  });

  test("whose figures contradict themselves is refused in words", async () => {
    const broken: ReleaseWorks = {
      ...works,
      figures: async (...asked) => {
        const figures = await works.figures(...asked);
        const tables = figures.tables.map((table) => ({
          ...table,
          cells: table.cells.map((cell) => ({ ...cell, persons: 9 })),
        }));
        return { ...figures, tables };
      },
    };
    const number = await drafted(here, broken, "2026-05");
    expect(await read(number)).toMatchObject({ state: "refused", reason: expect.stringContaining("count it again") });
    expect(details(await readFrozen(here.service, here.tenantId, number, "all"))).toEqual([
      expect.stringContaining("was refused"),
    ]);
  });
});

test("what cannot be shown safe is left out, and readers are told; if nothing can, the release is refused", async () => {
  const costly = (tables: number): ReleaseWorks => ({
    ...works,
    disclose: async (request) =>
      request.tables.length > tables
        ? { ok: false, refusals: [{ kind: "too-costly", detail: "Publish fewer tables." }] }
        : works.disclose(request),
  });
  const number = await drafted(here, costly(1), "2026-05");
  const frozen = await readFrozen(here.service, here.tenantId, number, "all");
  if (!frozen.ok) throw new Error(JSON.stringify(frozen.refusals));
  const { tables, figures, cautions } = bodyOf(frozen.value);
  expect([tables.map(({ figure }) => figure), figures.map(({ code }) => code)]).toEqual([
    ["people-on-therapy"],
    ["people-on-therapy"],
  ]);
  expect(cautions.at(-1)).toContain("Left out, for they could not be shown to be safe");
  expect(await read(await drafted(here, costly(0), "2026-04"))).toMatchObject({
    state: "refused",
    reason: "Publish fewer tables.",
  });
});

describe("four eyes", () => {
  test.each(["Ada Vale", " ada  VALE.", "Ada-Vale"])("%j may not sign what Ada Vale asked for", async (name) => {
    const number = await drafted(here, works, "2026-05");
    expect(details(await sign(number, { clientId: "two", name }))).toEqual([
      expect.stringContaining("have a second person"),
    ]);
  });

  test("the client that asked may sign while no other may", async () => {
    const number = await drafted(here, works, "2026-05");
    expect(await sign(number, { clientId: "one", name: "Ben Holt" })).toMatchObject({
      ok: true,
      value: { state: "released", signed: { name: "Ben Holt" } },
    });
  });

  test("what is signed cannot be signed again", async () => {
    const number = await published(here, works, "2026-05");
    expect(details(await sign(number))).toEqual([expect.stringContaining("is released, and only a draft")]);
  });
});

describe("a single person", () => {
  test.each(["minimum-cell-11", "hes", "ons-10-5"] as const)(
    "at a place cannot be subtracted from the whole by %s",
    async (policy) => {
      counts = { "2026-05": { north: 40, south: 22, west: 1 } };
      const number = await drafted(here, works, "2026-05", policy);
      const frozen = await readFrozen(here.service, here.tenantId, number, "all");
      if (!frozen.ok) throw new Error(JSON.stringify(frozen.refusals));
      const [all = null, ...places] = bodyOf(frozen.value).tables[0]?.rows.map(({ count }) => count) ?? [];
      expect(places.at(-1)).toBeNull();
      // Exact figures would leave 63 - 40 - 22: another place is hidden as well, or the whole. Rounded ones leave 0 to 5.
      const hidden = [all, ...places].filter((count) => count === null).length;
      if (policy === "minimum-cell-11") expect(hidden).toBeGreaterThan(1);
      else expect([all, places[0], places[1]]).toEqual([65, 40, 20]);
    },
  );
});

describe("what was published stays known", () => {
  test("a changed count of the same period is refused", async () => {
    await published(here, works, "2026-05", "minimum-cell-11");
    counts = { "2026-05": { ...usual, north: 41 } };
    const number = await drafted(here, works, "2026-05", "hes");
    expect(await read(number)).toMatchObject({
      state: "refused",
      reason: expect.stringContaining("An earlier release said otherwise"),
    });
  });

  test("and so it is when the earlier one was withdrawn", async () => {
    await withdraw(await published(here, works, "2026-05", "minimum-cell-11"));
    counts = { "2026-05": { ...usual, north: 41 } };
    expect((await read(await drafted(here, works, "2026-05", "minimum-cell-11"))).state).toBe("refused");
  });

  test("a quarter that would give away one person of a month hides its figure", async () => {
    counts = { "2026-05": { north: 40, south: 22, west: 30 }, "2026-Q2": { north: 41, south: 22, west: 30 } };
    const alone = await testService("2026-08-10T12:00:00Z");
    open.push(alone);
    const rowsOf = async (test: TestService) => {
      const number = await drafted(test, works, "2026-Q2", "minimum-cell-11");
      const found = await readFrozen(test.service, test.tenantId, number, "all");
      if (!found.ok) throw new Error(JSON.stringify(found.refusals));
      return bodyOf(found.value).tables[0]?.rows.map(({ count }) => count);
    };
    expect(await rowsOf(alone)).toEqual([93, 41, 22, 30]);
    await published(here, works, "2026-05", "minimum-cell-11");
    const [all, north] = (await rowsOf(here)) ?? [];
    expect([all, north]).toEqual([null, null]);
  });

  test("a draft audited before another was published must be asked for anew", async () => {
    const month = await drafted(here, works, "2026-05");
    await published(here, works, "2026-Q2");
    expect(details(await sign(month))).toEqual([
      expect.stringContaining("Release 2 was published after this draft was audited"),
    ]);
    await withdraw(month);
    const anew = await drafted(here, works, "2026-05");
    expect(auditOf(await read(anew))?.against).toEqual([2]);
    expect((await sign(anew)).ok).toBe(true);
  });
});

test("of two drafts that know nothing of each other, signed at one moment, one is published", async () => {
  const [month, quarter] = [await drafted(here, works, "2026-05"), await drafted(here, works, "2026-Q2")];
  const signed = await Promise.all([sign(month), sign(quarter)]);
  expect(signed.filter(({ ok }) => ok)).toHaveLength(1);
});

describe("a withdrawn release", () => {
  test("is gone for readers, with the reason, and as it was in the database", async () => {
    const number = await published(here, works, "2026-05");
    const { body, sha256 } = await read(number);
    await withdraw(number);
    const gone = await readRelease(here.service, here.tenantId, number, "released");
    expect(gone).toMatchObject({ ok: false, refusals: [{ status: 410, kind: "deleted" }] });
    expect(details(gone)).toEqual([expect.stringContaining("West was counted twice.")]);
    expect(await read(number)).toMatchObject({ state: "withdrawn", body, sha256 });
    expect(await releasedOf(here.service, here.tenantId, "2026-05")).toBeUndefined();
  });

  test("is not withdrawn twice", async () => {
    const number = await published(here, works, "2026-05");
    await withdraw(number);
    expect(details(await withdraw(number))).toEqual([expect.stringContaining("only a draft or a published release")]);
  });
});
