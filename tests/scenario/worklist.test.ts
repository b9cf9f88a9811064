import type { AddressInfo } from "node:net";
import { afterAll, beforeAll, expect, test } from "vitest";
import { inOrder, openWorklist, printed, Stale } from "../../seed/worklist.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";

const scope = "system/Task.rus system/Communication.crus system/Patient.rs";
let here: TestApp;
let fhirUrl = "";
let token = "";

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  const taskRouting = [{ owner: "CareTeam/physio" }];
  const service = { ...here.service, thresholds: { ...here.service.thresholds, taskRouting } };
  await put(here, { resourceType: "CareTeam", id: "physio" });
  for (const id of ["ada", "ben"]) {
    await personWithCircuit(here, id, "2026-04-01");
    await usedEveryDay(here, id);
    await reviewPatient(service, here.tenantId, id);
  }
  await here.app.listen({ port: 0, host: "127.0.0.1" });
  fhirUrl = `http://127.0.0.1:${(here.app.server.address() as AddressInfo).port}/fhir`;
  token = await tokenFor(here, "integration", scope);
});

afterAll(() => here.close());

const open = (owner = "CareTeam/physio") => openWorklist({ fhirUrl, token: async () => token, owner });

test("a look shows what is open, the next what has changed, also by others", async () => {
  const [worklist, other] = [open(), open()];
  const first = await worklist.look();
  expect(first.map(({ patient }) => patient?.id).sort()).toEqual(["ada", "ben"]);
  expect(printed(first)).toMatch(/^routine {3}due 2026-06-17 {2}requested {4}\S.* part-overdue$/m);
  here.clock.at += 1_000;
  const [item] = inOrder(await other.look());
  if (item === undefined) throw new Error("nothing to do");
  await other.change(item.task, { status: "accepted" });
  const changed = await worklist.look();
  expect(changed.filter(({ task }) => task.id === item.task.id).map(({ task }) => task.status)).toEqual(["accepted"]);
  // Whoever decides by what they read before is told to look again.
  await expect(worklist.change(item.task, { status: "accepted" })).rejects.toThrow(Stale);
});

test("a Task is taken up, noted and completed, and the note is found with it", async () => {
  const worklist = open();
  const item = (await worklist.look()).find(({ task }) => task.status === "requested");
  if (item === undefined) throw new Error("nothing to do");
  const mine = await worklist.change(item.task, { status: "in-progress" });
  await worklist.note(mine, "Ordered.");
  expect((await worklist.change(mine, { status: "completed" })).status).toBe("completed");
  const answer = await here.app.inject({
    url: `/fhir/Task?_id=${mine.id}&_revinclude=Communication:part-of`,
    headers: here.headers,
  });
  expect(answer.body).toContain("Ordered.");
});

test("another group sees none of it, and a refusal comes with its words", async () => {
  expect(await open("CareTeam/other").look()).toEqual([]);
  const [item] = await open().look();
  if (item === undefined) throw new Error("nothing to do");
  await expect(open().change(item.task, { status: "draft" })).rejects.toThrow(/cannot be a draft again/);
});
