import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

// Sections named alone are those of https://hl7.org/fhir/R4/http.html.
let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00.500Z");
  await put(here, { resourceType: "Patient", id: "p" }, { resourceType: "Patient", id: "gone" });
  await send("DELETE", "/fhir/Patient/gone");
});

afterAll(() => here.close());

type Method = "GET" | "POST" | "PUT" | "PATCH" | "DELETE";

function send(method: Method, url: string, payload?: string, headers: Record<string, string> = {}) {
  const own = payload === undefined ? {} : { "content-type": "application/fhir+json" };
  return here.app.inject({
    method,
    url,
    headers: { authorization: here.headers.authorization, ...own, ...headers },
    ...(payload === undefined ? {} : { payload }),
  });
}

// RFC 9110, 15.5.16: Accept and Accept-Encoding say what would be taken; RFC 5789, 2.2: Accept-Patch.
describe("415 says what is taken", () => {
  const jsonTypes = "application/fhir+json, application/json, text/json";
  test.each([
    ["POST", "/fhir/Patient", "application/fhir+xml", { accept: jsonTypes }],
    ["POST", "/fhir/Patient", "application/json-patch+json", { accept: jsonTypes }],
    ["POST", "/fhir/Patient", "application/x-www-form-urlencoded", { accept: jsonTypes }],
    ["POST", "/fhir/Patient", "application/fhir+json; fhirVersion=5.0", { accept: jsonTypes }],
    ["POST", "/fhir/Patient", "application/fhir+json; charset=iso-8859-1", { accept: jsonTypes }],
    ["POST", "/fhir/Patient/_search", "application/fhir+json", { accept: "application/x-www-form-urlencoded" }],
    [
      "PATCH",
      "/fhir/Patient/p",
      "text/plain",
      { "accept-patch": "application/json-patch+json, application/fhir+json" },
    ],
    ["POST", "/api/v1/use-records", "image/png", { accept: "application/json, text/csv, application/gzip" }],
  ] as const)("%s %s with %s", async (method, url, type, expected) => {
    const answer = await send(method, url, '{"resourceType":"Patient"}', { "content-type": type });
    expect([answer.statusCode, answer.json().resourceType]).toEqual([415, "OperationOutcome"]);
    expect(answer.headers).toMatchObject(expected);
  });

  test("an encoding other than gzip", async () => {
    const answer = await send("POST", "/fhir/Patient", "x", { "content-encoding": "br" });
    expect([answer.statusCode, answer.headers["accept-encoding"]]).toEqual([415, "gzip"]);
  });

  test.each(["application/json", "text/json", "application/fhir+json; charset=utf-8; fhirVersion=4.0"])(
    "%s is taken",
    async (type) => {
      const answer = await send("POST", "/fhir/Patient", '{"resourceType":"Patient"}', { "content-type": type });
      expect(answer.statusCode).toBe(201);
    },
  );
});

// Each status where its page puts it.
describe("statuses", () => {
  const nobody = '{"resourceType":"Patient","id":"nobody"}';
  test.each([
    ["section read: unknown", "GET", "/fhir/Patient/nobody", undefined, 404],
    ["section read: deleted", "GET", "/fhir/Patient/gone", undefined, 410],
    ["section vread: the deleting version", "GET", "/fhir/Patient/gone/_history/2", undefined, 410],
    ["section vread: a version that never was", "GET", "/fhir/Patient/p/_history/9", undefined, 404],
    ["section read: a type that R4 lacks", "GET", "/fhir/Teapot/1", undefined, 404],
    ["section create: not JSON", "POST", "/fhir/Patient", "{", 400],
    ["section create: a type that R4 lacks", "POST", "/fhir/Teapot", "{}", 404],
    ["section update: another id than the address", "PUT", "/fhir/Patient/p", nobody, 400],
    ["RFC 9110, 15.5.6", "PUT", "/fhir/metadata", "{}", 405],
    ["RFC 9110, 15.5.6", "DELETE", "/fhir/Patient/p/_history/1", undefined, 405],
    ["RFC 9110, 15.5.6", "GET", "/fhir/Patient/_search", undefined, 405],
  ] as const)("%s: %s %s answers %i", async (_page, method, url, body, status) => {
    const answer = await send(method, url, body);
    expect([answer.statusCode, answer.json().resourceType]).toEqual([status, "OperationOutcome"]);
    if (status === 405) expect(answer.headers.allow).toMatch(/^[A-Z]+(, [A-Z]+)*$/);
  });
});

// Section custom: X-Request-Id. Section mime-type: UTF-8.
test("every answer bears the request's id and is UTF-8", async () => {
  for (const url of ["/fhir/Patient/p", "/fhir/Patient/nobody", "/fhir/metadata", "/fhir/%zz", "/nowhere"]) {
    const answer = await send("GET", url, undefined, { "x-request-id": "ward-7:42" });
    expect([url, answer.headers["x-request-id"]]).toEqual([url, "ward-7:42"]);
    expect(answer.headers["content-type"]).toBe("application/fhir+json; charset=utf-8");
  }
});

// Section "read": a type that is not supported is answered with 404, in its operations as well.
test("the operations of a type that is switched off answer 404 and say so", async () => {
  const few = await testApp("2026-03-10T12:00:00.500Z", { types: ["Device"] });
  try {
    for (const [method, url, type] of [
      ["POST", "/fhir/Patient/$match", "Patient"],
      ["GET", "/fhir/Patient/p/$everything", "Patient"],
      ["GET", "/fhir/Observation/$lastn?patient=p&code=c", "Observation"],
      ["GET", "/fhir/ValueSet/$expand?url=urn:x", "ValueSet"],
      ["GET", "/fhir/CodeSystem/$lookup?system=urn:x&code=c", "CodeSystem"],
    ] as const) {
      const answer = await few.app.inject({ method, url, headers: { authorization: few.headers.authorization } });
      const { code, details } = answer.json().issue[0];
      expect([url, answer.statusCode, code]).toEqual([url, 404, "not-supported"]);
      expect(details.text).toContain(`"${type}"`);
    }
  } finally {
    await few.close();
  }
});
