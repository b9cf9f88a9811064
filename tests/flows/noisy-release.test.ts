import { afterAll, beforeAll, expect, test } from "vitest";
import { noisePolicy } from "../../src/domain/population/noisy-figures.ts";
import type { ReleaseWorks } from "../../src/flows/make-release.ts";
import { readFrozen, readRelease } from "../../src/flows/release.ts";
import { drafted, madeUpWorks, published } from "../support/made-up-figures.ts";
import { type TestService, testService } from "../support/service.ts";

let here: TestService;
let works: ReleaseWorks;
const people = { north: 4_000, south: 2_000, west: 900 };

beforeAll(async () => {
  here = await testService("2027-06-10T12:00:00Z");
  works = await madeUpWorks(() => people);
});

afterAll(() => here.close());

async function countsOf(number: number): Promise<(number | null)[]> {
  const frozen = await readFrozen(here.service, here.tenantId, number, "all");
  if (!frozen.ok) throw new Error(frozen.refusals[0]?.detail);
  const { tables } = JSON.parse(frozen.value.text) as { tables: { rows: { count: number | null }[] }[] };
  return tables.flatMap(({ rows }) => rows.map(({ count }) => count));
}

test("hides nothing, says that it is noise, and gives the same bytes whenever it is read", async () => {
  const number = await published(here, works, "2026-01", noisePolicy.name);
  const [first, again] = [await countsOf(number), await countsOf(number)];
  expect(again).toEqual(first);
  expect(first).not.toContain(null);
  const truth = [6_900, 4_000, 2_000, 900, 2_299, 1_333, 666, 300];
  expect(first).toHaveLength(truth.length);
  expect(first).not.toEqual(truth);
  for (const [i, count] of first.entries()) expect(Math.abs((count ?? 0) - (truth[i] ?? 0))).toBeLessThan(200);
  const frozen = await readFrozen(here.service, here.tenantId, number, "all");
  expect(frozen.ok && frozen.value.text).toContain("two-sided geometric noise");
  expect(frozen.ok && frozen.value.text).not.toContain("rounded or hidden");
});

test("a year's budget is spent by what is published, and then refused; another year has its own", async () => {
  for (let month = 2; month <= 12; month += 1) {
    await published(here, works, `2026-${String(month).padStart(2, "0")}`, noisePolicy.name);
  }
  const beyond = await drafted(here, works, "2026", noisePolicy.name);
  const read = await readRelease(here.service, here.tenantId, beyond, "all");
  expect(read).toMatchObject({ ok: true, value: { state: "refused" } });
  expect(read.ok && read.value.reason).toContain("privacy budget");
  const next = await readRelease(
    here.service,
    here.tenantId,
    await drafted(here, works, "2027-01", noisePolicy.name),
    "all",
  );
  expect(next).toMatchObject({ ok: true, value: { state: "drafted" } });
});

test("a release under another policy of the same period is audited as if there were none", async () => {
  const number = await drafted(here, works, "2026-03", "hes");
  expect(await readRelease(here.service, here.tenantId, number, "all")).toMatchObject({
    ok: true,
    value: { state: "drafted" },
  });
});
