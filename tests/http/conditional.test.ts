import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { byNumber, callsTo, person, placeOf } from "../support/calls.ts";

let here: TestApp;
const { call, count, read } = callsTo(() => here);

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z", { limits: { maxDeleted: 3 } });
});

afterAll(() => here.close());

const put = (id: string, number: string) => call("PUT", `/fhir/Patient/${id}`, person(number, { id }));

/** Two persons who share a number. */
async function twins(number: string) {
  await put(`${number}-1`, number);
  await put(`${number}-2`, number);
}

// https://hl7.org/fhir/R4/http.html#ccreate
describe("conditional create", () => {
  test("no match makes the resource: 201; one match changes nothing and answers 200 with it", async () => {
    const made = await call("POST", "/fhir/Patient", person("c1"), { "if-none-exist": byNumber("c1") });
    const again = await call("POST", "/fhir/Patient", person("c1", { active: true }), {
      "if-none-exist": byNumber("c1"),
    });
    expect([made.statusCode, again.statusCode]).toEqual([201, 200]);
    expect(again.headers.location).toBe(made.headers.location);
    expect(again.json()).not.toHaveProperty("active");
    expect(await count(`Patient?${byNumber("c1")}`)).toBe(1);
  });

  test("several matches are refused with 412", async () => {
    await twins("c2");
    const answer = await call("POST", "/fhir/Patient", person("c2"), { "if-none-exist": byNumber("c2") });
    expect(answer.statusCode).toBe(412);
    expect(answer.json().issue[0].code).toBe("multiple-matches");
    expect(await count(`Patient?${byNumber("c2")}`)).toBe(2);
  });

  test("what has been deleted is no match", async () => {
    await put("c3", "c3");
    await call("DELETE", "/fhir/Patient/c3");
    const answer = await call("POST", "/fhir/Patient", person("c3"), { "if-none-exist": byNumber("c3") });
    expect(answer.statusCode).toBe(201);
  });

  test.each(["", "?", "_count=1", "_sort=birthdate", "_summary=count"])(
    "criteria that name nothing (%j) are refused",
    async (criteria) => {
      const before = await count("Patient");
      const answer = await call("POST", "/fhir/Patient", person("c4"), { "if-none-exist": criteria });
      expect([400, 412]).toContain(answer.statusCode);
      expect(await count("Patient")).toBe(before);
    },
  );

  test("criteria with a parameter nobody knows are refused, not read as if it were not there", async () => {
    const answer = await call("POST", "/fhir/Patient", person("c5"), { "if-none-exist": `colour=red` });
    expect(answer.statusCode).toBe(400);
    expect(answer.json().issue[0].details.text).toContain("colour");
  });
});

// https://hl7.org/fhir/R4/http.html#cond-update, the list of cases under "conditional update".
describe("conditional update", () => {
  const update = (number: string, more: Record<string, unknown> = {}, headers: Record<string, string> = {}) =>
    call("PUT", `/fhir/Patient?${byNumber(number)}`, person(number, more), headers);

  test("no match and no id: created under an id of the service", async () => {
    const answer = await update("u1");
    expect(answer.statusCode).toBe(201);
    expect(placeOf(answer.headers.location)).toBe(`Patient/${answer.json().id}`);
  });

  test("no match and an id that is free: created under that id", async () => {
    const answer = await update("u2", { id: "u2-mine" });
    expect([answer.statusCode, answer.json().id]).toEqual([201, "u2-mine"]);
  });

  // R4 itself is silent on an id that is taken; R5 (https://hl7.org/fhir/R5/http.html#cond-update) answers 409 there.
  test("no match and an id that is taken: the one that is there is not overwritten", async () => {
    await put("u3", "u3");
    const answer = await update("u3-other", { id: "u3" });
    expect([409, 412]).toContain(answer.statusCode);
    expect((await read("Patient/u3")).meta.versionId).toBe("1");
  });

  test("one match and no id: that one is updated", async () => {
    await put("u4", "u4");
    const answer = await update("u4", { active: true });
    expect([answer.statusCode, answer.json().id, answer.headers.etag]).toEqual([200, "u4", 'W/"2"']);
  });

  test("one match and the same id: that one is updated", async () => {
    await put("u5", "u5");
    expect((await update("u5", { id: "u5" })).statusCode).toBe(200);
  });

  test("one match and another id: 400", async () => {
    await put("u6", "u6");
    const answer = await update("u6", { id: "u6-other" });
    expect(answer.statusCode).toBe(400);
    expect((await read("Patient/u6")).meta.versionId).toBe("1");
  });

  test("several matches: 412", async () => {
    await twins("u7");
    expect((await update("u7")).statusCode).toBe(412);
  });

  test("If-Match holds for the one that is found", async () => {
    await put("u8", "u8");
    expect((await update("u8", {}, { "if-match": 'W/"4"' })).statusCode).toBe(412);
    expect((await update("u8", {}, { "if-match": 'W/"1"' })).statusCode).toBe(200);
  });

  test("without criteria, or with unknown ones, nothing is written", async () => {
    const before = await count("Patient");
    const none = await call("PUT", "/fhir/Patient", person("u9"));
    const format = await call("PUT", "/fhir/Patient?_format=json", person("u9"));
    const unknown = await call("PUT", "/fhir/Patient?colour=red", person("u9"));
    expect([none.statusCode, format.statusCode, unknown.statusCode]).toEqual([412, 412, 400]);
    expect(await count("Patient")).toBe(before);
  });
});

// https://hl7.org/fhir/R4/http.html#patch, "conditional patch".
describe("conditional patch", () => {
  const patch = (criteria: string, headers: Record<string, string> = {}) =>
    call("PATCH", `/fhir/Patient?${criteria}`, [{ op: "add", path: "/active", value: true }], {
      "content-type": "application/json-patch+json",
      ...headers,
    });

  test("one match is patched, none is 404, several are 412", async () => {
    await put("p1", "p1");
    await twins("p2");
    const [one, none, several] = [
      await patch(byNumber("p1")),
      await patch(byNumber("p0")),
      await patch(byNumber("p2")),
    ];
    expect([one.statusCode, none.statusCode, several.statusCode]).toEqual([200, 404, 412]);
    expect(await read("Patient/p1")).toMatchObject({ active: true, meta: { versionId: "2" } });
  });

  test("If-Match, no criteria and unknown criteria are refused like those of an update", async () => {
    await put("p3", "p3");
    const stale = await patch(byNumber("p3"), { "if-match": 'W/"9"' });
    expect([stale.statusCode, (await patch("")).statusCode, (await patch("colour=red")).statusCode]).toEqual([
      412, 412, 400,
    ]);
  });
});

// https://hl7.org/fhir/R4/http.html#3.1.0.7.1
describe("conditional delete", () => {
  const remove = (criteria: string) => call("DELETE", `/fhir/Patient?${criteria}`);

  test("none found: 204", async () => {
    expect((await remove(byNumber("d0"))).statusCode).toBe(204);
  });

  test("one and several found: all of them are gone, and the answer says how many", async () => {
    await put("d1", "d1");
    await twins("d2");
    const [one, several] = [await remove(byNumber("d1")), await remove(byNumber("d2"))];
    expect([one.statusCode, several.statusCode]).toEqual([200, 200]);
    expect(several.json().issue[0]).toMatchObject({ severity: "information", details: { text: /^2 Patient/ } });
    for (const id of ["d1", "d2-1", "d2-2"]) expect((await call("GET", `/fhir/Patient/${id}`)).statusCode).toBe(410);
  });

  // The bound is the choice of the service; R4 answers 412 where it does not delete several.
  test("more than the bound: 412, and all are still there; the bound itself is deleted", async () => {
    for (const id of ["d3-1", "d3-2", "d3-3", "d3-4"]) await put(id, "d3");
    expect((await remove(byNumber("d3"))).statusCode).toBe(412);
    expect(await count(`Patient?${byNumber("d3")}`)).toBe(4);
    await call("DELETE", "/fhir/Patient/d3-4");
    expect((await remove(byNumber("d3"))).statusCode).toBe(200);
  });

  test("without criteria, with the way to answer alone, or with unknown ones: nothing is deleted", async () => {
    await put("d4", "d4");
    const before = await count("Patient");
    const statuses: number[] = [];
    for (const criteria of ["", "_format=json", "_count=1", "_sort=_id", "colour=red", "identifier="]) {
      statuses.push((await remove(criteria)).statusCode);
    }
    expect(statuses.every((status) => status === 400 || status === 412)).toBe(true);
    expect(await count("Patient")).toBe(before);
  });
});
