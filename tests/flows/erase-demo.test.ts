import { afterAll, beforeAll, expect, test } from "vitest";
import { loadDemo } from "../../seed/load.ts";
import { erasePerson } from "../../src/flows/erase-person.ts";
import { type Database, openOwnerDatabase } from "../../src/store/database.ts";
import { type TestService, testService } from "../support/service.ts";
import { everyRow, rowsWith } from "./erasure-world.ts";

let here: TestService;
let owner: Database;

beforeAll(async () => {
  here = await testService("2026-04-10T09:00:00Z");
  owner = openOwnerDatabase(here.connectionString);
  await loadDemo(here.service, here.tenantId, { today: "2026-04-10" });
}, 120_000);

afterAll(async () => {
  await owner.close();
  await here.close();
});

// One who had the machine of somebody else before, and one whose plan is watched.
test.each(["patient-swapped-early", "patient-less-use"])(
  "%s of the demo does not come back when the demo is played again",
  async (patientId) => {
    const request = { patientId, reason: "asked for", devices: "stay", mentions: "stop", mode: "erase" } as const;
    expect((await erasePerson(here.service, owner, here.tenantId, request)).outcome).toBe("erased");
    const before = await everyRow(here);
    await loadDemo(here.service, here.tenantId, { today: "2026-04-10" });
    const named = rowsWith(await everyRow(here), patientId).map((row) => row.split(":")[0]);
    expect([...new Set(named)]).toEqual(["public.audit_entry"]);
    const people = (rows: Map<string, string[]>) => rows.get("public.patient");
    expect(people(await everyRow(here))).toEqual(people(before));
  },
  120_000,
);
