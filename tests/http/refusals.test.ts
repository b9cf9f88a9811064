import { gzipSync } from "node:zlib";
import type { HTTPMethods } from "fastify";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

// Statuses from RFC 9110 and https://hl7.org/fhir/R4/http.html, sections as named. Nothing that a client sends is a 5xx.
let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", { maxBodyBytes: 100_000 });
  for (const [i, family] of ["Alder", "Birch", "Cedar"].entries()) {
    await put(here, { resourceType: "Patient", id: `p${i}`, birthDate: `198${i}-01-01`, name: [{ family }] } as never);
  }
  for (const payload of ["{", "["]) await send("POST", "/api/v1/use-records", payload);
});

afterAll(() => here.close());

function send(method: HTTPMethods, url: string, payload?: string | Buffer, headers: Record<string, string> = {}) {
  const own = payload === undefined ? {} : { "content-type": "application/json" };
  return here.app.inject({
    method: method as "GET",
    url,
    headers: { authorization: here.headers.authorization, ...own, ...headers },
    ...(payload === undefined ? {} : { payload }),
  });
}

async function expectRefusal(answer: Awaited<ReturnType<typeof send>>, status: number): Promise<void> {
  expect(answer.statusCode).toBe(status);
  const { resourceType, issue } = answer.json();
  expect([resourceType, issue[0].severity, issue[0].diagnostics.length > 10]).toEqual([
    "OperationOutcome",
    "error",
    true,
  ]);
}

describe("methods that an address does not take (RFC 9110, 15.5.6)", () => {
  test.each([
    ["PUT", "/fhir/metadata", "GET, HEAD"],
    ["DELETE", "/fhir", "GET, HEAD, POST"],
    ["OPTIONS", "/fhir/Patient", "GET, HEAD, POST, PUT, PATCH, DELETE"],
    ["GET", "/fhir/Patient/_search", "POST"],
    ["POST", "/fhir/Patient/p0", "GET, HEAD, PUT, PATCH, DELETE"],
    ["PUT", "/fhir/Patient/p0/_history/1", "GET, HEAD"],
    ["OPTIONS", "/fhir/Patient/p0", "GET, HEAD, PUT, PATCH, DELETE"],
    ["GET", "/api/v1/use-records", "POST"],
    ["POST", "/api/v1/uploads", "GET, HEAD"],
    ["GET", "/api/v1/uploads/x/replay", "POST"],
    ["DELETE", "/api/v1/caseload", "GET, HEAD"],
    ["PUT", "/api/v1/patients/p0/days", "GET, HEAD"],
    ["POST", "/health/live", "GET, HEAD"],
  ] as const)("%s %s answers 405 and allows %s", async (method, url, allow) => {
    const answer = await send(method, url);
    await expectRefusal(answer, 405);
    expect(answer.headers.allow).toBe(allow);
  });

  test("a body of a type that is not taken changes nothing about it", async () => {
    const answer = await send("POST", "/fhir/Patient/p0", "<a/>", { "content-type": "application/fhir+xml" });
    await expectRefusal(answer, 405);
  });
});

describe("bodies", () => {
  const form = { "content-type": "application/x-www-form-urlencoded" };

  test("a form is no resource, and a resource is no search: 415", async () => {
    await expectRefusal(await send("POST", "/fhir/Patient", "name=alder", form), 415);
    await expectRefusal(await send("POST", "/fhir/Patient/_search", '{"name":"alder"}'), 415);
  });

  test("a search form may come as gzip", async () => {
    const answer = await send("POST", "/fhir/Patient/_search", gzipSync("name=alder"), {
      ...form,
      "content-encoding": "gzip",
    });
    expect(answer.json().entry.map((one: { resource: { id: string } }) => one.resource.id)).toEqual(["p0"]);
  });

  test.each([
    ["bytes that are not UTF-8", Buffer.from([0x7b, 0xff, 0x7d]), {}, 400],
    ["an encoding other than gzip", "{}", { "content-encoding": "br" }, 415],
    ["gzip that swells beyond the limit", gzipSync(Buffer.alloc(200_000)), { "content-encoding": "gzip" }, 413],
    ["a NUL in a name", '{"resourceType":"Patient","name":[{"family":"a\\u0000"}]}', {}, 400],
    ["half a surrogate pair in a name", '{"resourceType":"Patient","name":[{"family":"a\\ud800"}]}', {}, 400],
    ["nesting without end", `{"resourceType":"Patient","extension":${"[".repeat(40_000)}`, {}, 400],
  ])("%s", async (_what, payload, headers, status) => {
    await expectRefusal(await send("POST", "/fhir/Patient", payload, headers), status);
  });
});

describe("conditions of a write that nobody would check (https://hl7.org/fhir/R4/http.html#cond-update)", () => {
  test.each([
    ["PUT", "/fhir/Patient/p0", "if-none-exist", "identifier=urn:x|1"],
    ["PUT", "/fhir/Patient/p0", "if-none-match", 'W/"1"'],
    ["POST", "/fhir/Patient", "if-unmodified-since", "Fri, 10 Apr 2026 09:00:00 GMT"],
    ["DELETE", "/fhir/Patient/p0", "if-unmodified-since", "Fri, 10 Apr 2026 09:00:00 GMT"],
  ] as const)("%s %s with %s is refused and changes nothing", async (method, url, name, value) => {
    const count = async () => (await send("GET", "/fhir/Patient?_summary=count")).json().total;
    const before = await count();
    const body = method === "DELETE" ? undefined : '{"resourceType":"Patient","id":"p0"}';
    await expectRefusal(await send(method, url, body, { [name]: value }), 400);
    expect([await count(), (await send("GET", "/fhir/Patient/p0")).json().meta.versionId]).toEqual([before, "1"]);
  });

  test("If-None-Match compares weakly on a read: a strong tag or * of what is known answers 304 (RFC 9110, 13.1.2)", async () => {
    const tags = ['"1"', 'W/"9", W/"1"', "*", 'W/"9"'];
    const answers = await Promise.all(
      tags.map((tag) => send("GET", "/fhir/Patient/p1", undefined, { "if-none-match": tag })),
    );
    expect(answers.map((one) => one.statusCode)).toEqual([304, 304, 304, 200]);
  });
});

describe("what is asked for (https://hl7.org/fhir/R4/http.html#mime-type)", () => {
  test.each([
    ["application/fhir+xml, application/fhir+json;q=0.5", 200],
    ["application/json", 200],
    ["text/json", 200],
    ["text/html, */*;q=0.1", 200],
    ["application/fhir+xml", 406],
    ["application/xml, application/json;q=0", 406],
    ["application/jsonlines", 406],
  ])("Accept: %s answers %i", async (accept, status) => {
    expect((await send("GET", "/fhir/Patient/p0", undefined, { accept })).statusCode).toBe(status);
  });

  test("_format outweighs Accept, also with its plus sign unescaped", async () => {
    const xml = { accept: "application/fhir+xml" };
    expect((await send("GET", "/fhir/Patient?_format=application/fhir+json", undefined, xml)).statusCode).toBe(200);
    await expectRefusal(await send("GET", "/fhir/Patient?_format=xml"), 406);
  });
});

describe("page links", () => {
  async function nextOf(url: string): Promise<string> {
    const page = (await send("GET", url)).json();
    const link = page.link?.find((one: { relation: string }) => one.relation === "next")?.url;
    return link === undefined ? page.next : (new URL(link).searchParams.get("_cursor") ?? "");
  }
  const lists = [
    "/fhir/Patient?_sort=name&_count=1&_cursor=",
    "/fhir/Patient?_sort=-birthdate&_count=1&_cursor=",
    "/api/v1/caseload?sort=name&count=1&cursor=",
    "/api/v1/caseload?sort=urgency&count=1&cursor=",
    "/api/v1/uploads?count=1&cursor=",
  ];

  test("a link leads on in its own list and is refused in every other", async () => {
    for (const from of lists) {
      const cursor = await nextOf(from.replace(/&_?cursor=$/, ""));
      expect(cursor, from).toMatch(/^[\w-]+\.[\w-]+$/);
      const statuses = await Promise.all(lists.map(async (to) => (await send("GET", `${to}${cursor}`)).statusCode));
      expect(statuses, from).toEqual(lists.map((to) => (to === from ? 200 : 400)));
    }
  });
});

describe("addresses and parameters", () => {
  test.each([
    ["/fhir/%", 400],
    ["/fhir/Patient/%zz", 400],
    [`/fhir/Patient/${"a".repeat(300)}`, 414],
    ["/api/v1/caseload?severty=urgent", 400],
    ["/api/v1/caseload?sessionsCompletedBelow=", 400],
    ["/api/v1/caseload?name=%00", 400],
    ["/api/v1/uploads?count=0", 400],
    ["/api/v1/patients/p0/days?firstDay=0000-01-01&endDay=0000-01-02", 400],
    ["/api/v1/patients/p0/days?firstDay=9999-12-30&endDay=9999-12-31", 400],
  ])("GET %s answers %i", async (url, status) => {
    await expectRefusal(await send("GET", url), status);
  });
});
