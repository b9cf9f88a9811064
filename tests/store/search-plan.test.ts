import type { Observation } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { inTenant, openDatabase } from "../../src/store/database.ts";
import { createResources } from "../../src/store/resource.ts";
import { searchResources } from "../../src/store/search.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { onServer, testDatabase } from "../support/database.ts";
import { nowMs, parsed, stored } from "./search-world.ts";

// The index narrows to the patient; the dates are compared on what is left of one person, and then sorted: ge is decided
// by the end of a period, which is in no index.
test("a patient's resources of a time are found among that patient's alone", async () => {
  const made = await testDatabase();
  const database = openDatabase(made.connectionString);
  const definitions = createDefinitions({ types: "default" });
  const { tenantId } = await ensureTenant(database, "plan");
  // On next to no rows every index is as good as the other.
  const observations = Array.from({ length: 1_000 }, (_, i): Observation => {
    const effectiveDateTime = new Date(nowMs - i * 3_600_000).toISOString();
    const subject = { reference: `Patient/p${i % 100}` };
    return {
      resourceType: "Observation",
      id: `o${i}`,
      status: "final",
      code: { text: "x" },
      subject,
      effectiveDateTime,
    };
  });
  await inTenant(database, tenantId, (session) =>
    createResources(
      session,
      observations.map((one) => stored(definitions, one)),
    ),
  );
  await onServer(made.connectionString, (owner) => owner.query("analyze resource"));
  const query = parsed(definitions, ["Observation"], "patient=p1&date=ge2026-03-01&_sort=-date");
  const lines = await inTenant(database, tenantId, async (session) => {
    await session.query("set local enable_seqscan = off");
    let asked: { text: string; values: readonly unknown[] } | undefined;
    await searchResources(
      {
        ...session,
        query: (text, values = []) => {
          asked = { text, values };
          return session.query(text, values);
        },
      },
      query,
    );
    return session.query<{ "QUERY PLAN": string }>(`explain ${asked?.text}`, asked?.values ?? []);
  });
  const plan = lines.map((line) => line["QUERY PLAN"]).join("\n");
  expect(plan).toMatch(/Scan (using|on) resource_patient_time/);
  expect(plan).toMatch(/Index Cond: .*patient_id = 'p1'/);
  await database.close();
  await made.drop();
});
