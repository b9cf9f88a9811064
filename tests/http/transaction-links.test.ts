import { afterAll, beforeAll, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { about, byNumber, callsTo, person, placeOf } from "../support/calls.ts";

// How links between entries are resolved: https://hl7.org/fhir/R4/http.html#trules and
// https://hl7.org/fhir/R4/bundle.html#references
let here: TestApp;
const { call, count, read, sendBundle } = callsTo(() => here);

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
});

afterAll(() => here.close());

const urn = "urn:uuid:6f1c1b0a-8c55-4c0e-9d64-1f2a3b4c5d6e";
const post = (resource: { resourceType: string }, more: Record<string, unknown> = {}) => ({
  resource,
  request: { method: "POST", url: resource.resourceType },
  ...more,
});

/** Carries out a transaction and reads what its entries made. */
async function made(...entry: unknown[]) {
  const { status, body, entries } = await sendBundle("transaction", entry);
  if (status !== 200) throw new Error(JSON.stringify(body));
  const places = entries.map((one) => placeOf(one.response.location));
  return { places, resources: await Promise.all(places.map(read)) };
}

test("a urn:uuid becomes the id its entry got, in references, uris and the narrative, before or after it", async () => {
  const narrative = `<div xmlns="http://www.w3.org/1999/xhtml">Of <a href="${urn}">her</a>, not ${urn}</div>`;
  const observation = about(urn, {
    text: { status: "generated", div: narrative },
    extension: [{ url: "https://own.example/link", valueUri: urn }],
    identifier: [{ system: "urn:ietf:rfc:3986", value: urn }],
  });
  const { places, resources } = await made(post(observation), post(person("l1"), { fullUrl: urn }), post(observation));
  for (const resource of [resources[0], resources[2]]) {
    expect(resource).toMatchObject({
      subject: { reference: places[1] },
      extension: [{ valueUri: places[1] }],
      identifier: [{ value: urn }],
    });
    expect(resource.text.div).toContain(`<a href="${places[1]}">her</a>, not ${urn}`);
  }
});

test("two resources that point to each other are created together", async () => {
  const other = "urn:uuid:11111111-2222-4333-8444-555555555555";
  const { places, resources } = await made(
    post(person("l2-a", { link: [{ other: { reference: other }, type: "seealso" }] }), { fullUrl: urn }),
    post(person("l2-b", { link: [{ other: { reference: urn }, type: "seealso" }] }), { fullUrl: other }),
  );
  expect(resources.map((one) => one.link[0].other.reference)).toEqual([places[1], places[0]]);
});

test("a relative reference means the entry beside its own fullUrl, and an absolute one the same entry", async () => {
  const base = "https://sender.example/fhir";
  const { places, resources } = await made(
    post(person("l3"), { fullUrl: `${base}/Patient/77` }),
    post(about("Patient/77"), { fullUrl: `${base}/Observation/1` }),
    post(about(`${base}/Patient/77`), { fullUrl: `${base}/Observation/2` }),
  );
  expect([resources[1].subject.reference, resources[2].subject.reference]).toEqual([places[0], places[0]]);
});

test("a reference to an entry that its If-None-Exist found names what was there", async () => {
  await call("PUT", "/fhir/Patient/l4", person("l4", { id: "l4" }));
  const request = { method: "POST", url: "Patient", ifNoneExist: byNumber("l4") };
  const { resources } = await made({ fullUrl: urn, resource: person("l4"), request }, post(about(urn)));
  expect(resources[1].subject.reference).toBe("Patient/l4");
  expect(await count(`Patient?${byNumber("l4")}`)).toBe(1);
});

test("a conditional reference becomes what its criteria find here", async () => {
  await call("PUT", "/fhir/Patient/l5", person("l5", { id: "l5" }));
  const { resources } = await made(post(about(`Patient?${byNumber("l5")}`)));
  expect(resources[0].subject.reference).toBe("Patient/l5");
});

test("a conditional reference finds what the same transaction creates", async () => {
  const { places, resources } = await made(post(about(`Patient?${byNumber("l6")}`)), post(person("l6")));
  expect(resources[0].subject.reference).toBe(places[1]);
});

test("a resource with a conditional reference can be referred to by others of the transaction", async () => {
  const report = {
    resourceType: "DiagnosticReport",
    status: "final",
    code: { text: "Day" },
    result: [{ reference: urn }],
  };
  const { places, resources } = await made(post(report), post(about(`Patient?${byNumber("l6")}`), { fullUrl: urn }));
  expect(resources[0].result[0].reference).toBe(places[1]);
});

// "If there are no matches, or multiple matches, the transaction fails".
test("a conditional reference that finds none, or several, fails the transaction", async () => {
  await call("PUT", "/fhir/Patient/l7-1", person("l7", { id: "l7-1" }));
  await call("PUT", "/fhir/Patient/l7-2", person("l7", { id: "l7-2" }));
  for (const number of ["l7", "l7-none"]) {
    const entry = [post(person("l7-new")), post(about(`Patient?${byNumber(number)}`))];
    const { status, body } = await sendBundle("transaction", entry);
    expect(status).toBe(412);
    expect(body.issue[0].expression[0]).toContain("Bundle.entry[1]");
  }
  for (const reference of ["Patient?colour=red", "Teapot?identifier=1", "Patient?_count=1"]) {
    const { status } = await sendBundle("transaction", [post(person("l7-new")), post(about(reference))]);
    expect([400, 404, 412]).toContain(status);
  }
  expect(await count(`Patient?${byNumber("l7-new")}`)).toBe(0);
});

test("outside a transaction a conditional reference is refused, nobody would resolve it", async () => {
  const answer = await call("POST", "/fhir/Observation", about(`Patient?${byNumber("l5")}`));
  expect(answer.statusCode).toBe(400);
  expect(answer.json().issue[0].expression).toEqual(["Observation.subject.reference"]);
});

test("the fullUrl of a search stands for no resource", async () => {
  const search = { fullUrl: urn, request: { method: "GET", url: `Patient?${byNumber("l6")}` } };
  const { status, entries } = await sendBundle("transaction", [post(about(urn)), search]);
  expect(status).toBe(200);
  expect((await read(placeOf(entries[0]?.response.location))).subject.reference).toBe(urn);
});

// https://hl7.org/fhir/R4/json.html#decimal
test("numbers of a resource whose links are resolved stay as they were written", async () => {
  const observation = JSON.stringify(about(urn, { valueQuantity: { value: 0 } })).replace('"value":0', '"value":2.50');
  const text = `{"resourceType":"Bundle","type":"transaction","entry":[{"resource":${observation},"request":{"method":"POST","url":"Observation"}},${JSON.stringify(post(person("l8"), { fullUrl: urn }))}]}`;
  const answer = await call("POST", "/fhir", text);
  const stored = await call("GET", `/fhir/${placeOf(answer.json().entry[0].response.location)}`);
  expect(stored.body).toContain('"value":2.50');
});
