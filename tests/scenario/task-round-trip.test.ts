import type { Bundle, Communication, OperationOutcome, Resource, Task } from "@medplum/fhirtypes";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";

const dayMs = 86_400_000;
const start = Date.parse("2026-06-10T12:00:00Z");
const scope = "system/Task.rus system/Communication.crus system/Patient.rs system/CareTeam.rs system/Practitioner.rs";
let here: TestApp;
let token = "";

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await put(
    here,
    { resourceType: "Practitioner", id: "anna" },
    { resourceType: "Organization", id: "north", name: "North" } as never,
    { resourceType: "CareTeam", id: "parts", participant: [{ member: { reference: "Practitioner/anna" } }] } as never,
    { resourceType: "CareTeam", id: "physio" },
  );
  await put(here, {
    resourceType: "Organization",
    id: "stores",
    name: "Stores",
    partOf: { reference: "Organization/north" },
  } as never);
  const settings = {
    taskRouting: {
      source: "A test",
      value: [{ owner: "CareTeam/physio" }, { rule: "part-overdue", owner: "CareTeam/parts" }],
    },
  };
  const answer = await here.app.inject({
    method: "PUT",
    url: "/api/v1/thresholds",
    headers: { ...here.headers, "content-type": "application/json" },
    payload: JSON.stringify({ settings, note: "Who is asked first", setBy: "A test" }),
  });
  expect(answer.statusCode, answer.body).toBeLessThan(300);
  token = await tokenFor(here, "integration", scope);
});

beforeEach(() => {
  here.clock.at = start;
});

afterAll(() => here.close());

/** The worklist's own hand at the door. */
async function ask(
  method: "GET" | "PUT" | "PATCH" | "POST",
  url: string,
  body?: unknown,
  headers: Record<string, string> = {},
) {
  const type = method === "PATCH" ? "application/json-patch+json" : "application/fhir+json";
  const answer = await here.app.inject({
    method,
    url: `/fhir/${url}`,
    headers: { authorization: `Bearer ${token}`, "content-type": type, ...headers },
    ...(body === undefined ? {} : { payload: JSON.stringify(body) }),
  });
  return { status: answer.statusCode, headers: answer.headers, body: answer.json() as Resource };
}

async function found<R extends Resource>(url: string): Promise<R[]> {
  const { status, body } = await ask("GET", url);
  expect(status, JSON.stringify(body)).toBe(200);
  return ((body as Bundle).entry ?? []).map(({ resource }) => resource as R);
}

/** Every day read up to `days` after the start, and a review then. */
async function reviewedOn(id: string, days: number): Promise<void> {
  here.clock.at = start + days * dayMs;
  await usedEveryDay(here, id);
  await reviewPatient(here.service, here.tenantId, id);
  token = await tokenFor(here, "integration", scope);
}

/** Somebody whose circuit is long overdue, as the worklist finds their Task. */
async function overdue(id: string): Promise<Task & { id: string }> {
  await personWithCircuit(here, id, "2026-04-01");
  await reviewedOn(id, 0);
  const [task] = await found<Task>(`Task?patient=Patient/${id}&code=part-overdue`);
  if (task?.id === undefined) throw new Error("no Task");
  return task as Task & { id: string };
}

const circuitTasks = (id: string) => found<Task>(`Task?patient=Patient/${id}&code=part-overdue&_sort=authored-on`);

/** Sets members of a Task as it was read: JSON Patch under If-Match. */
function change(task: Task, members: Record<string, unknown>) {
  const patch = Object.entries(members).map(([name, value]) => ({ op: "add", path: `/${name}`, value }));
  return ask("PATCH", `Task/${task.id}`, patch, { "if-match": `W/"${task.meta?.versionId}"` });
}

async function changed(task: Task, members: Record<string, unknown>): Promise<Task> {
  const answer = await change(task, members);
  expect(answer.status, JSON.stringify(answer.body)).toBe(200);
  return answer.body as Task;
}

const wordsOf = (body: Resource) => (body as OperationOutcome).issue?.[0]?.diagnostics ?? "";

describe("a worklist finds its Tasks", () => {
  test("by the group that owns them and their status, the oldest first, with whom they are about", async () => {
    const task = await overdue("w1");
    expect(task.owner).toEqual({ reference: "CareTeam/parts" });
    const query = "Task?owner=CareTeam/parts&status=requested,received&_sort=authored-on&_include=Task:patient";
    const resources = await found<Resource>(query);
    expect(resources.map((one) => `${one.resourceType}/${one.id}`)).toEqual(
      expect.arrayContaining([`Task/${task.id}`, "Patient/w1"]),
    );
    expect(await found(`Task?owner=CareTeam/physio&code=part-overdue&patient=Patient/w1`)).toEqual([]);
  });

  test("by a person who is a member of the group that owns them (R4, search: chained parameters)", async () => {
    const task = await overdue("w2");
    const mine = await found<Task>("Task?owner:CareTeam.participant=Practitioner/anna&patient=Patient/w2");
    expect(mine.map(({ id }) => id)).toEqual([task.id]);
  });

  test("by what changed since it asked last", async () => {
    const task = await overdue("w3");
    here.clock.at = start + 60_000;
    await changed(task, { status: "received" });
    const since = new Date(start + 30_000).toISOString();
    const later = await found<Task>(`Task?_lastUpdated=gt${since}&owner=CareTeam/parts&_sort=_lastUpdated`);
    expect(later.map(({ id, status }) => [id, status])).toContainEqual([task.id, "received"]);
    expect(later.every(({ meta }) => (meta?.lastUpdated ?? "") > since)).toBe(true);
  });
});

describe("a person takes a Task up", () => {
  test("accepts, begins, puts on hold, completes: each by the version that was read; the finding stays closed until the cool-down is over", async () => {
    let task = (await overdue("t1")) as Task;
    for (const status of ["received", "accepted", "in-progress", "on-hold", "in-progress"] as const)
      task = await changed(task, { status });
    await reviewedOn("t1", 1);
    [task] = (await circuitTasks("t1")) as [Task];
    expect(task.status).toBe("in-progress");
    task = await changed(task, { status: "completed", statusReason: { text: "Circuit ordered" } });
    await reviewedOn("t1", 13);
    expect((await circuitTasks("t1")).map(({ status }) => status)).toEqual(["completed"]);
    // docs/findings.md, Tasks: after 14 days, if it still stands.
    await reviewedOn("t1", 16);
    const all = await circuitTasks("t1");
    expect(all.map(({ status }) => status)).toEqual(["completed", "requested"]);
    expect(all[0]?.statusReason).toEqual({ text: "Circuit ordered" });
  });

  test("gives it to another group or person of the hospital, and the review leaves that so", async () => {
    const task = await overdue("t2");
    const given = await changed(task, { owner: { reference: "Organization/stores" }, status: "accepted" });
    const back = await changed(given, { owner: { reference: "Practitioner/anna", display: "Anna" } });
    expect(back.owner?.reference).toBe("Practitioner/anna");
    await reviewedOn("t2", 9);
    const [now] = await circuitTasks("t2");
    expect([now?.owner, now?.status]).toEqual([{ reference: "Practitioner/anna", display: "Anna" }, "accepted"]);
    expect((await found<Task>("Task?owner=Practitioner/anna&patient=Patient/t2")).length).toBe(1);
  });

  test("turns it down with a reason, and it is not asked again before the cool-down is over", async () => {
    const task = await overdue("t3");
    const no = await changed(task, { status: "rejected", statusReason: { text: "Parts are supplied by the region" } });
    await reviewedOn("t3", 2);
    const [now, ...more] = await circuitTasks("t3");
    expect([now?.status, now?.statusReason, more]).toEqual(["rejected", no.statusReason, []]);
  });

  test("of two who take it up at once, the second is told to read it again (412)", async () => {
    const task = await overdue("t4");
    await changed(task, { status: "accepted" });
    const late = await change(task, { status: "accepted" });
    expect(late.status).toBe(412);
    expect(wordsOf(late.body)).toMatch(/version/i);
  });

  test("as a whole resource as well (PUT)", async () => {
    const task = await overdue("t5");
    const answer = await ask(
      "PUT",
      `Task/${task.id}`,
      { ...task, status: "accepted" },
      { "if-match": `W/"${task.meta?.versionId}"` },
    );
    expect(answer.status).toBe(200);
  });
});

describe("what cannot be is refused with words that say what to do", () => {
  test("rejecting what somebody has begun", async () => {
    const begun = await changed(await overdue("r1"), { status: "in-progress" });
    const { status, body } = await change(begun, { status: "rejected" });
    expect(status).toBe(422);
    expect(wordsOf(body)).toContain("failed or cancelled");
    expect((body as OperationOutcome).issue?.[0]?.expression).toEqual(["Task.status"]);
  });

  test("making a Task of one entered in error, or a draft of any", async () => {
    const task = await overdue("r2");
    expect((await change(task, { status: "draft" })).status).toBe(422);
    const wrong = await changed(task, { status: "entered-in-error" });
    expect(wordsOf((await change(wrong, { status: "requested" })).body)).toContain("the next review raises another");
  });

  test("a word that is no status, and an owner who is not here", async () => {
    const task = await overdue("r3");
    expect((await change(task, { status: "done" })).status).toBe(422);
    const { status, body } = await change(task, { owner: { reference: "CareTeam/nobody" } });
    expect(status).toBe(422);
    expect(wordsOf(body)).toContain("CareTeam/nobody");
  });

  test("another finding, or another person, in the place of the one that raised it", async () => {
    const task = await overdue("r4");
    await overdue("r5");
    const moved = await change(task, { for: { reference: "Patient/r5" } });
    expect([moved.status, wordsOf(moved.body).slice(0, 30)]).toEqual([422, "A finding raised this Task: it"]);
    const stripped = await change(task, { extension: [] });
    expect(stripped.status).toBe(422);
  });

  test("opening an old one again while another about the same is open (409)", async () => {
    const done = await changed(await overdue("r6"), { status: "completed" });
    await reviewedOn("r6", 16);
    const { status, body } = await change(done, { status: "in-progress" });
    expect(status).toBe(409);
    expect(wordsOf(body)).toContain("one open Task");
  });

  test("a change that the token does not allow", async () => {
    const task = await overdue("r7");
    const reader = await tokenFor(here, "dashboard", "system/Task.rs");
    const refused = await ask("PATCH", `Task/${task.id}`, [{ op: "replace", path: "/status", value: "accepted" }], {
      authorization: `Bearer ${reader}`,
    });
    expect(refused.status).toBe(403);
  });
});

describe("notes of the hospital", () => {
  const note = (task: Task, link: Partial<Communication>, text: string) => ({
    resourceType: "Communication",
    status: "completed",
    subject: task.for,
    about: [{ reference: `Task/${task.id}` }],
    sender: { reference: "Practitioner/anna" },
    sent: "2026-06-10T12:05:00Z",
    payload: [{ contentString: text }],
    ...link,
  });

  test("are Communications beside the Task, and come with it: part-of and based-on (R4, Communication: search parameters)", async () => {
    const task = await overdue("n1");
    const reference = `Task/${task.id}`;
    const links: [Partial<Communication>, string][] = [
      [{ partOf: [{ reference }] }, "Rang; will ring again."],
      [{ basedOn: [{ reference }] }, "New circuit is in the post."],
    ];
    for (const [link, text] of links) {
      expect((await ask("POST", "Communication", note(task, link, text))).status).toBe(201);
    }
    const query = `Task?_id=${task.id}&_revinclude=Communication:part-of&_revinclude=Communication:based-on`;
    const texts = (await found<Communication>(query)).flatMap(({ payload }) => payload?.[0]?.contentString ?? []);
    expect(texts.sort()).toEqual(["New circuit is in the post.", "Rang; will ring again."]);
    expect((await found(`Communication?part-of=${reference}`)).length).toBe(1);
    expect((await found("Communication?subject=Patient/n1&status=completed")).length).toBe(2);
  });

  test("and those in the Task itself stay, whatever the review adds or closes", async () => {
    const task = await overdue("n2");
    const words = { text: "Stock is low until Friday.", authorString: "Stores", time: "2026-06-10T12:06:00Z" };
    const output = [{ type: { text: "Order" }, valueString: "4711" }];
    await changed(task, { note: [words], status: "accepted", output });
    await reviewedOn("n2", 9);
    const [now] = await circuitTasks("n2");
    expect(now?.note?.[0]).toEqual(words);
    expect(now?.note?.[1]?.text).toContain("priority raised");
    expect(now?.output).toEqual(output);
  });

  test("about a Task that is not here are refused, and a Task with notes stays while they point to it", async () => {
    const task = await overdue("n3");
    const lost = await ask("POST", "Communication", note(task, { partOf: [{ reference: "Task/none" }] }, "Lost"));
    expect([lost.status, wordsOf(lost.body).includes("Task/none")]).toEqual([422, true]);
    await ask("POST", "Communication", note(task, { partOf: [{ reference: `Task/${task.id}` }] }, "Kept"));
    const gone = await here.app.inject({ method: "DELETE", url: `/fhir/Task/${task.id}`, headers: here.headers });
    expect(gone.statusCode).toBe(409);
  });
});
