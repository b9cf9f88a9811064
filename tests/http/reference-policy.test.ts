import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { about, callsTo, person } from "../support/calls.ts";

const clock = "2026-03-10T12:00:00Z";
const base = "https://gate.test/fhir";

// https://hl7.org/fhir/R4/http.html#create and #delete leave referential integrity to the service, and
// https://hl7.org/fhir/R4/valueset-reference-handling-policy.html names "enforced": references are checked.
describe("a service that checks references", () => {
  let here: TestApp;
  const { call, read, sendBundle } = callsTo(() => here);
  beforeAll(async () => {
    here = await testApp(clock, { ownBase: base });
    await call("PUT", "/fhir/Patient/known", person("known", { id: "known" }));
  });
  afterAll(() => here.close());
  const create = (reference: string, more: Record<string, unknown> = {}) =>
    call("POST", "/fhir/Observation", about(reference, more));

  test("refuses a reference to what is not here with 422, and names the element", async () => {
    const answer = await create("Patient/known", {
      performer: [{ reference: "Patient/known" }, { reference: "Patient/x" }],
    });
    expect(answer.statusCode).toBe(422);
    expect(answer.json().issue).toMatchObject([
      { severity: "error", code: "not-found", expression: ["Observation.performer[1].reference"] },
    ]);
  });

  test("refuses one inside a contained resource, in an extension and to what has been deleted", async () => {
    await call("PUT", "/fhir/Patient/gone", person("gone", { id: "gone" }));
    await call("DELETE", "/fhir/Patient/gone");
    const contained = [{ resourceType: "Device", id: "in", patient: { reference: "Patient/x" } }];
    const extension = [{ url: "https://own.example/x", valueReference: { reference: "Patient/x" } }];
    const answers = [
      await create("Patient/known", { contained, device: { reference: "#in" } }),
      await create("Patient/known", { extension }),
      await create("Patient/gone"),
    ];
    expect(answers.map((one) => [one.statusCode, one.json().issue[0].expression[0]])).toEqual([
      [422, "Observation.contained[0].patient.reference"],
      [422, "Observation.extension[0].valueReference.reference"],
      [422, "Observation.subject.reference"],
    ]);
  });

  // https://hl7.org/fhir/R4/references.html#literal: an absolute address on this service is the same as a relative one.
  test("reads its own absolute address as local, and leaves those of others alone", async () => {
    await call("PUT", "/fhir/Patient/own", person("own", { id: "own" }));
    const [known, unknown] = [await create(`${base}/Patient/own`), await create(`${base}/Patient/x`)];
    expect([known.statusCode, unknown.statusCode]).toEqual([201, 422]);
    expect((await call("DELETE", "/fhir/Patient/own")).statusCode).toBe(409);
    for (const elsewhere of ["https://other.example/fhir/Patient/x", "urn:uuid:6f1c1b0a-8c55-4c0e-9d64-1f2a3b4c5d6e"]) {
      expect((await create(elsewhere)).statusCode).toBe(201);
    }
  });

  test("holds for updates and patches too", async () => {
    await call("PUT", "/fhir/Observation/held", about("Patient/known", { id: "held" }));
    const update = await call("PUT", "/fhir/Observation/held", about("Patient/x", { id: "held" }));
    const patch = await call(
      "PATCH",
      "/fhir/Observation/held",
      [{ op: "replace", path: "/subject/reference", value: "Patient/x" }],
      { "content-type": "application/json-patch+json" },
    );
    expect([update.statusCode, patch.statusCode]).toEqual([422, 422]);
    expect((await read("Observation/held")).meta.versionId).toBe("1");
    await call("DELETE", "/fhir/Observation/held");
  });

  test("refuses to delete what others point to with 409, and names them; without them it is deleted", async () => {
    await call("PUT", "/fhir/Patient/referred", person("referred", { id: "referred" }));
    await call("PUT", "/fhir/Observation/referrer", about("Patient/referred", { id: "referrer" }));
    for (const url of ["/fhir/Patient/referred", "/fhir/Patient?_id=referred"]) {
      const refused = await call("DELETE", url);
      expect(refused.statusCode).toBe(409);
      expect(refused.json().issue[0].details.text).toContain("Observation/referrer");
    }
    expect((await call("GET", "/fhir/Patient/referred")).statusCode).toBe(200);
    await call("PUT", "/fhir/Observation/referrer", about("Patient/known", { id: "referrer" }));
    expect((await call("DELETE", "/fhir/Patient/referred")).statusCode).toBe(204);
  });

  test("names some of many referrers", async () => {
    await call("PUT", "/fhir/Patient/popular", person("popular", { id: "popular" }));
    for (let i = 0; i < 7; i += 1)
      await call("PUT", `/fhir/Observation/p-${i}`, about("Patient/popular", { id: `p-${i}` }));
    const { text } = (await call("DELETE", "/fhir/Patient/popular")).json().issue[0].details;
    expect(text).toMatch(/^(Observation\/p-\d, ){4}Observation\/p-\d and others still point to Patient\/popular/);
  });

  test("deletes both ends together in one transaction, in any order, and refuses one end there", async () => {
    await call("PUT", "/fhir/Patient/end", person("end", { id: "end" }));
    await call("PUT", "/fhir/Observation/end", about("Patient/end", { id: "end" }));
    const remove = (url: string) => ({ request: { method: "DELETE", url } });
    expect((await sendBundle("transaction", [remove("Patient/end")])).status).toBe(409);
    const both = await sendBundle("transaction", [remove("Patient/end"), remove("Observation/end")]);
    expect(both.statuses).toEqual(["204 No Content", "204 No Content"]);
    expect((await call("GET", "/fhir/Patient/end")).statusCode).toBe(410);
  });

  test("a transaction that deletes what it newly points to is refused as a whole", async () => {
    await call("PUT", "/fhir/Patient/both", person("both", { id: "both" }));
    const { status } = await sendBundle("transaction", [
      { request: { method: "DELETE", url: "Patient/both" } },
      { request: { method: "POST", url: "Observation" }, resource: about("Patient/both") },
    ]);
    expect([409, 422]).toContain(status);
    expect((await call("GET", "/fhir/Patient/both")).statusCode).toBe(200);
  });

  test("a reference inside a contained resource or to a version keeps its target from being deleted", async () => {
    for (const id of ["inner", "versioned"]) await call("PUT", `/fhir/Patient/${id}`, person(id, { id }));
    const contained = [{ resourceType: "Device", id: "in", patient: { reference: "Patient/inner" } }];
    const made = [
      await create("Patient/known", { contained, device: { reference: "#in" } }),
      await create("Patient/versioned/_history/1"),
    ];
    expect(made.map((one) => one.statusCode)).toEqual([201, 201]);
    const deleted = [await call("DELETE", "/fhir/Patient/versioned"), await call("DELETE", "/fhir/Patient/inner")];
    expect(deleted.map((one) => one.statusCode)).toEqual([409, 409]);
  });
});

describe("a service that accepts every reference", () => {
  let here: TestApp;
  const { call } = callsTo(() => here);
  beforeAll(async () => {
    here = await testApp(clock, { referencePolicy: "accept" });
  });
  afterAll(() => here.close());

  test("takes a reference to what is not here, and deletes what others point to", async () => {
    const made = await call("PUT", "/fhir/Observation/o", about("Patient/later", { id: "o" }));
    await call("PUT", "/fhir/Patient/later", person("later", { id: "later" }));
    const deleted = await call("DELETE", "/fhir/Patient/later");
    expect([made.statusCode, deleted.statusCode]).toEqual([201, 204]);
  });

  test("still refuses a conditional reference that nobody would resolve", async () => {
    expect((await call("POST", "/fhir/Observation", about("Patient?identifier=1"))).statusCode).toBe(400);
  });

  test("says so in its capability statement: enforced is not among its policies", async () => {
    const { rest } = (await call("GET", "/fhir/metadata")).json();
    const policies = rest[0].resource.map((one: { referencePolicy: string[] }) => one.referencePolicy);
    expect(policies.length).toBeGreaterThan(0);
    expect(policies.flat()).toContain("literal");
    expect(policies.flat()).not.toContain("enforced");
  });
});
