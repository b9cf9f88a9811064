import { afterAll, beforeAll, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { about, byNumber, callsTo, person } from "../support/calls.ts";

// Each test sends its requests at once; the pool of the test's database has a connection for each of them.
let here: TestApp;
const { call, count, read, sendBundle } = callsTo(() => here);

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
  await Promise.all(Array.from({ length: 8 }, () => call("GET", "/fhir/Patient?_count=1")));
});

afterAll(() => here.close());

const eight = [0, 1, 2, 3, 4, 5, 6, 7];
const sorted = (statuses: readonly number[]) => [...statuses].sort((a, b) => a - b);

// https://hl7.org/fhir/R4/http.html#ccreate: the criteria must be met by nothing at the moment of the create.
test("eight conditional creates with the same criteria make one resource", async () => {
  const answers = await Promise.all(
    eight.map(() => call("POST", "/fhir/Patient", person("r1"), { "if-none-exist": byNumber("r1") })),
  );
  expect(sorted(answers.map((one) => one.statusCode))).toEqual([200, 200, 200, 200, 200, 200, 200, 201]);
  expect(new Set(answers.map((one) => one.json().id)).size).toBe(1);
  expect(await count(`Patient?${byNumber("r1")}`)).toBe(1);
});

test("eight conditional updates and eight transactions with the same criteria make one resource each", async () => {
  const updates = await Promise.all(eight.map(() => call("PUT", `/fhir/Patient?${byNumber("r2")}`, person("r2"))));
  const entry = {
    resource: person("r3"),
    request: { method: "POST", url: "Patient", ifNoneExist: byNumber("r3") },
  };
  const transactions = await Promise.all(eight.map(() => sendBundle("transaction", [entry])));
  expect(sorted(updates.map((one) => one.statusCode))).toEqual([200, 200, 200, 200, 200, 200, 200, 201]);
  expect(transactions.flatMap((one) => one.statuses).sort()).toEqual([...Array(7).fill("200 OK"), "201 Created"]);
  expect([await count(`Patient?${byNumber("r2")}`), await count(`Patient?${byNumber("r3")}`)]).toEqual([1, 1]);
  expect((await call("GET", `/fhir/Patient?${byNumber("r2")}`)).json().entry[0].resource.meta.versionId).toBe("8");
});

// https://hl7.org/fhir/R4/http.html#concurrency
test("of eight updates with the same If-Match one is taken, the others answer 412", async () => {
  await call("PUT", "/fhir/Patient/r4", person("r4", { id: "r4" }));
  const answers = await Promise.all(
    eight.map(() => call("PUT", "/fhir/Patient/r4", person("r4", { id: "r4" }), { "if-match": 'W/"1"' })),
  );
  expect(sorted(answers.map((one) => one.statusCode))).toEqual([200, 412, 412, 412, 412, 412, 412, 412]);
  expect((await read("Patient/r4")).meta.versionId).toBe("2");
});

// https://hl7.org/fhir/R4/http.html#history: every version that was made stays.
test("two updates at once without a condition are versions 1 and 2, and both are kept", async () => {
  const answers = await Promise.all(
    ["left", "right"].map((family) => call("PUT", "/fhir/Patient/r5", person("r5", { id: "r5", name: [{ family }] }))),
  );
  expect(sorted(answers.map((one) => one.statusCode))).toEqual([200, 201]);
  const versions = [await read("Patient/r5/_history/1"), await read("Patient/r5/_history/2")];
  expect(versions.map((one) => one.name[0].family).sort()).toEqual(["left", "right"]);
});

test("of eight creates under the same id with If-None-Match: * one is taken", async () => {
  const answers = await Promise.all(
    eight.map(() => call("PUT", "/fhir/Patient/r6", person("r6", { id: "r6" }), { "if-none-match": "*" })),
  );
  expect(sorted(answers.map((one) => one.statusCode))).toEqual([201, 412, 412, 412, 412, 412, 412, 412]);
});

// https://hl7.org/fhir/R4/http.html#delete: a service may refuse to delete what others point to.
test("a delete at the moment of a create that points to it never leaves a reference to nothing", async () => {
  const seen = new Set<string>();
  for (let round = 0; round < 12; round += 1) {
    const id = `r7-${round}`;
    await call("PUT", `/fhir/Patient/${id}`, person("r7", { id }));
    const create = () => call("PUT", `/fhir/Observation/${id}`, about(`Patient/${id}`, { id }));
    const remove = () => call("DELETE", `/fhir/Patient/${id}`);
    const [first, second] = await Promise.all(round % 2 === 0 ? [create(), remove()] : [remove(), create()]);
    const [created, removed] = round % 2 === 0 ? [first, second] : [second, first];
    seen.add(`${created?.statusCode} ${removed?.statusCode}`);
    const patient = await call("GET", `/fhir/Patient/${id}`);
    const observation = await call("GET", `/fhir/Observation/${id}`);
    expect([patient.statusCode, observation.statusCode]).toEqual(created?.statusCode === 201 ? [200, 200] : [410, 404]);
  }
  for (const pair of seen) expect(["201 409", "422 204"]).toContain(pair);
});

test("transactions at once that write the same resources in opposite order are taken or refused, never fail", async () => {
  const entries = ["a", "b", "c", "d"].map((id) => ({
    resource: person("r8", { id: `r8-${id}` }),
    request: { method: "PUT", url: `Patient/r8-${id}` },
  }));
  for (let round = 0; round < 3; round += 1) {
    const answers = await Promise.all(
      eight.map((i) => sendBundle("transaction", i % 2 === 0 ? entries : entries.toReversed())),
    );
    for (const { status } of answers) expect([200, 409, 412]).toContain(status);
    const taken = answers.filter((one) => one.status === 200);
    expect(taken.length).toBeGreaterThan(0);
  }
  const versions = await Promise.all(["a", "b", "c", "d"].map((id) => read(`Patient/r8-${id}`)));
  expect(new Set(versions.map((one) => one.meta.versionId)).size).toBe(1);
});

test("transactions at once with criteria in opposite order make one resource for each, and never fail", async () => {
  const entries = ["r9-a", "r9-b", "r9-c"].map((number) => ({
    resource: person(number),
    request: { method: "POST", url: "Patient", ifNoneExist: byNumber(number) },
  }));
  const answers = await Promise.all(
    eight.map((i) => sendBundle("transaction", i % 2 === 0 ? entries : entries.toReversed())),
  );
  for (const { status } of answers) expect([200, 409, 412]).toContain(status);
  for (const number of ["r9-a", "r9-b", "r9-c"]) expect(await count(`Patient?${byNumber(number)}`)).toBe(1);
});
