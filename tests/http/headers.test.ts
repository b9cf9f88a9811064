import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

// Sections named alone are those of https://hl7.org/fhir/R4/http.html.
let here: TestApp;

const started = "2026-03-10T12:00:00.500Z";

beforeAll(async () => {
  here = await testApp(started);
  await put(here, {
    resourceType: "Patient",
    id: "p",
    active: true,
    name: [{ family: "Alder" }],
    photo: [{ title: "x" }],
  } as never);
  await send("PUT", "/fhir/Observation/o", observation, { "content-type": "application/fhir+json" });
  await put(here, { resourceType: "Patient", id: "gone" });
  await send("DELETE", "/fhir/Patient/gone");
});

afterAll(() => here.close());

const observation =
  '{"resourceType":"Observation","id":"o","status":"final","code":{"text":"flow"},"valueQuantity":{"value":1.50}}';

type Method = "GET" | "HEAD" | "POST" | "PUT" | "PATCH" | "DELETE" | "OPTIONS";

function send(method: Method, url: string, payload?: string, headers: Record<string, string> = {}) {
  const own = payload === undefined ? {} : { "content-type": "application/fhir+json" };
  return here.app.inject({
    method,
    url,
    headers: { authorization: here.headers.authorization, ...own, ...headers },
    ...(payload === undefined ? {} : { payload }),
  });
}

const get = (url: string, headers: Record<string, string> = {}) => send("GET", url, undefined, headers);
const later = "Tue, 10 Mar 2026 12:00:00 GMT";
const earlier = "Tue, 10 Mar 2026 11:59:59 GMT";

describe("conditional read (section cread), of the resource and of a version", () => {
  test.each([
    ["the version's tag", { "if-none-match": 'W/"1"' }, 304],
    ["the tag in its strong form: compared weakly (RFC 9110, 13.1.2)", { "if-none-match": '"1"' }, 304],
    ["one of several tags", { "if-none-match": 'W/"7", W/"1"' }, 304],
    ["any tag at all", { "if-none-match": "*" }, 304],
    ["another version's tag", { "if-none-match": 'W/"2"' }, 200],
    ["the second it was changed in (RFC 9110, 13.1.3)", { "if-modified-since": later }, 304],
    ["a second before", { "if-modified-since": earlier }, 200],
    ["a date that is none: ignored", { "if-modified-since": "yesterday" }, 200],
    ["both: the tag decides alone", { "if-none-match": 'W/"2"', "if-modified-since": later }, 200],
  ] as const)("%s: %o answers %i", async (_what, headers, status) => {
    for (const url of ["/fhir/Patient/p", "/fhir/Patient/p/_history/1"]) {
      const answer = await get(url, headers);
      expect([url, answer.statusCode]).toEqual([url, status]);
      expect(answer.headers).toMatchObject({ etag: 'W/"1"', "last-modified": later });
      if (status === 304) expect(answer.body).toBe("");
    }
  });
});

// RFC 9110, 9.3.2; section head: HEAD can be used anywhere that GET can.
describe("HEAD answers what GET answers, without the body", () => {
  const varying = ["date", "x-request-id", "connection", "keep-alive"];
  test.each([
    "/fhir/Patient/p",
    "/fhir/Patient/p/_history/1",
    "/fhir/Patient/p/_history",
    "/fhir/Patient?_id=p",
    "/fhir/metadata",
    "/fhir/Patient/nobody",
    "/fhir/Patient/gone",
    "/fhir/Patient/p?_pretty=true&_elements=name",
  ])("%s", async (url) => {
    const [head, whole] = [await send("HEAD", url), await get(url)];
    const fixed = (headers: object) =>
      Object.fromEntries(Object.entries(headers).filter(([name]) => !varying.includes(name)));
    expect([head.statusCode, head.body]).toEqual([whole.statusCode, ""]);
    expect(fixed(head.headers)).toEqual(fixed(whole.headers));
  });

  test("also when nothing has changed", async () => {
    expect((await send("HEAD", "/fhir/Patient/p", undefined, { "if-none-match": 'W/"1"' })).statusCode).toBe(304);
  });
});

// Section mime-type: a generic type asked for by name is answered under that name. Section version-parameter: 4.0.
describe("the format that is asked for", () => {
  const [fhir, json, text] = ["application/fhir+json", "application/json", "text/json"];
  test.each([
    ["application/fhir+json", fhir],
    ["application/json", json],
    ["text/json", text],
    ["*/*", fhir],
    ["application/*", fhir],
    ["", fhir],
    ["text/html, */*;q=0.1", fhir],
    ["application/fhir+xml, application/fhir+json;q=0.5", fhir],
    ["application/json;q=0.5, application/fhir+json;q=0.4", json],
    ["application/json, application/fhir+json", fhir],
    ["application/fhir+json; fhirVersion=4.0", fhir],
    ['application/fhir+json; fhirVersion="4.0"; charset=UTF-8', fhir],
    ["application/fhir+json; fhirVersion=5.0, application/json", json],
  ])("Accept: %s is answered as %s", async (accept, type) => {
    const answer = await get("/fhir/Patient/p", { accept });
    expect([answer.statusCode, answer.headers["content-type"]]).toEqual([200, `${type}; charset=utf-8`]);
  });

  test.each([
    "application/fhir+xml",
    "application/xml",
    "text/turtle",
    "application/fhir+turtle",
    "application/fhir+json; fhirVersion=4.3",
    "application/fhir+json; fhirVersion=5.0",
    "application/fhir+json; charset=utf-16",
    "application/fhir+json;q=0",
    "application/fhir+json;q=0, */*;q=0",
    "application/jsonlines",
  ])("Accept: %s is refused with 406, and told what is answered", async (accept) => {
    const answer = await get("/fhir/Patient/p", { accept });
    expect([answer.statusCode, answer.headers["content-type"]]).toEqual([406, `${fhir}; charset=utf-8`]);
    expect(answer.json().issue[0].diagnostics).toContain("application/fhir+json");
  });

  test.each([
    ["json", 200],
    ["application/json", 200],
    ["application/fhir+json", 200],
    ["application/fhir%2Bjson", 200],
    ["text/json", 200],
    ["application/fhir%2Bjson;%20fhirVersion=4.0", 200],
    ["xml", 406],
    ["ttl", 406],
    ["text/xml", 406],
    ["application/fhir%2Bjson;fhirVersion=5.0", 406],
  ])("_format=%s answers %i, whatever Accept says (section parameters)", async (format, status) => {
    const accept = status === 200 ? "application/fhir+xml" : "application/fhir+json";
    for (const url of ["/fhir/Patient/p", "/fhir/Patient", "/fhir/metadata"]) {
      expect([url, (await get(`${url}?_format=${format}`, { accept })).statusCode]).toEqual([url, status]);
    }
  });
});

// Section parameters: _pretty. https://hl7.org/fhir/R4/json.html#decimal: the form of a decimal is kept.
describe("_pretty=true", () => {
  test.each([
    ["GET", "/fhir/Observation/o?_pretty=true", 200],
    ["GET", "/fhir/Observation?_id=o&_pretty=true", 200],
    ["GET", "/fhir/Observation/o/_history?_pretty=true", 200],
    ["GET", "/fhir/Observation/o/_history/1?_pretty=true", 200],
    ["GET", "/fhir/metadata?_pretty=true", 200],
    ["GET", "/fhir/Observation/nothing?_pretty=true", 404],
    ["PUT", "/fhir/Observation/pretty?_pretty=true", 201],
  ] as const)("%s %s stands in lines, and says the same", async (method, url, status) => {
    const body = method === "PUT" ? observation.replace('"id":"o"', '"id":"pretty"') : undefined;
    const answer = await send(method, url, body);
    expect(answer.statusCode).toBe(status);
    expect(answer.body).toMatch(/^\{\n {2}"resourceType": "\w+",\n/);
    expect(answer.headers["content-length"]).toBe(String(Buffer.byteLength(answer.body)));
    if (url.includes("Observation") && status !== 404) expect(answer.body).toContain('"value": 1.50\n');
  });

  test("is not asked for by false, and not by anything else", async () => {
    for (const value of ["false", "yes", ""]) {
      expect((await get(`/fhir/Observation/o?_pretty=${value}`)).body).not.toContain("\n");
    }
  });
});

// https://hl7.org/fhir/R4/search.html#summary and #elements; section parameters takes both to reads as well.
describe("a part of one resource", () => {
  test.each(["/fhir/Patient/p", "/fhir/Patient/p/_history/1"])("%s", async (url) => {
    const summary = (await get(`${url}?_summary=true`)).json();
    expect([summary.photo, summary.name[0].family, summary.meta.tag[0].code]).toEqual([
      undefined,
      "Alder",
      "SUBSETTED",
    ]);
    const elements = (await get(`${url}?_elements=photo`)).json();
    // Patient.active is a modifier and stays.
    expect(Object.keys(elements)).toEqual(["resourceType", "id", "meta", "active", "photo"]);
    expect((await get(`${url}?_summary=false`)).json().meta.tag).toBeUndefined();
  });

  test.each(["_summary=count", "_summary=short", "_elements=", "_elements=a,,b", "_summary=true&_elements=name"])(
    "?%s is refused on a read",
    async (query) => {
      const answer = await get(`/fhir/Patient/p?${query}`);
      expect([answer.statusCode, answer.json().issue[0].severity]).toEqual([400, "error"]);
    },
  );
});

// Section ops, and RFC 7240, 2: a list, values quoted or not, the first of two, unknown ones ignored.
describe("Prefer", () => {
  test.each([
    ["return=minimal", ""],
    ['return="minimal"', ""],
    ["Return=Minimal", ""],
    ["respond-async, return=minimal; foo=bar, wait=10", ""],
    ["return=minimal, return=representation", ""],
    ["return=OperationOutcome", "OperationOutcome"],
    ["handling=strict, return=representation", "Patient"],
    ["return=everything", "Patient"],
    ["xreturn=minimal", "Patient"],
    ['note="return=minimal"', "Patient"],
  ])("%s", async (prefer, expected) => {
    const answer = await send("POST", "/fhir/Patient", '{"resourceType":"Patient"}', { prefer });
    expect(answer.statusCode).toBe(201);
    expect(answer.body === "" ? "" : answer.json().resourceType).toBe(expected);
  });

  test("handling=strict refuses what lenient leaves out (https://hl7.org/fhir/R4/search.html#errors)", async () => {
    const statuses = ["handling=strict", "return=minimal,handling=strict", "handling=lenient", "handling=stricter"].map(
      async (prefer) => (await get("/fhir/Patient?colour=red", { prefer })).statusCode,
    );
    expect(await Promise.all(statuses)).toEqual([400, 400, 200, 200]);
  });
});

// Section concurrency: version-aware updates; RFC 9110, 13.1.1.
describe("If-Match", () => {
  const update = (ifMatch: string) =>
    send("PUT", "/fhir/Patient/matched", '{"resourceType":"Patient","id":"matched"}', { "if-match": ifMatch });

  test.each([
    ['W/"9"', 412],
    ['"no-number"', 412],
    ['W/"99999999999"', 412],
    ["1", 400],
    ["", 400],
    ['W/"1', 400],
  ])("%s answers %i and changes nothing", async (ifMatch, status) => {
    await put(here, { resourceType: "Patient", id: "matched" });
    const before = (await get("/fhir/Patient/matched")).headers.etag;
    expect((await update(ifMatch)).statusCode).toBe(status);
    expect((await get("/fhir/Patient/matched")).headers.etag).toBe(before);
  });

  test("takes the tag weak or strong", async () => {
    await put(here, { resourceType: "Patient", id: "matched" });
    const { etag } = (await get("/fhir/Patient/matched")).headers;
    expect((await update(String(etag))).statusCode).toBe(200);
    const next = (await get("/fhir/Patient/matched")).headers.etag;
    expect((await update(String(next).replace("W/", ""))).statusCode).toBe(200);
  });
});

// RFC 9110, 13.1.2: on an update, * means that there must be none yet.
test("If-None-Match: * creates, and never overwrites: 412", async () => {
  const create = () =>
    send("PUT", "/fhir/Patient/once", '{"resourceType":"Patient","id":"once"}', { "if-none-match": "*" });
  expect([(await create()).statusCode, (await create()).statusCode]).toEqual([201, 412]);
  expect((await get("/fhir/Patient/once")).headers.etag).toBe('W/"1"');
});

test("conditions that nobody here checks are refused, not ignored (RFC 9110, 13.1.4)", async () => {
  const body = '{"resourceType":"Patient","id":"p"}';
  const answers = await Promise.all([
    send("PUT", "/fhir/Patient/p", body, { "if-unmodified-since": later }),
    send("PUT", "/fhir/Patient/p", body, { "if-none-match": 'W/"1"' }),
    send("PUT", "/fhir/Patient/p", body, { "if-none-exist": "identifier=a|b" }),
    send("POST", "/fhir/Patient", body, { "if-none-exist": " " }),
    send("DELETE", "/fhir/Patient/p", undefined, { "if-none-match": "*" }),
  ]);
  expect(answers.map((one) => one.statusCode)).toEqual([400, 400, 400, 400, 400]);
});
