import { request as httpRequest } from "node:http";
import type { AddressInfo } from "node:net";
import { gzipSync } from "node:zlib";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";

// Over a real connection, and with addresses as they are written: clients that tidy them up would send something else.
// OWASP API Security Top 10 (2023): API4 resource consumption, API8 misconfiguration ("error messages include stack traces").
let here: TestApp;
let port: number;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", { maxBodyBytes: 200_000 });
  await here.app.listen({ port: 0, host: "127.0.0.1" });
  port = (here.app.server.address() as AddressInfo).port;
});

afterAll(() => here.close());

interface Asked {
  readonly method?: string;
  readonly path: string;
  readonly headers?: Record<string, string>;
  readonly body?: string | Buffer;
}

interface Answer {
  readonly status: number;
  readonly head: string;
  readonly body: string;
}

function ask({ method = "GET", path, headers = {}, body }: Asked): Promise<Answer> {
  return new Promise((resolve, reject) => {
    const all = { ...here.headers, ...headers };
    const request = httpRequest({ host: "127.0.0.1", port, method, path, headers: all, agent: false }, (response) => {
      const chunks: Buffer[] = [];
      response.on("data", (chunk: Buffer) => chunks.push(chunk));
      response.on("end", () => {
        const head = response.rawHeaders.join("\n");
        resolve({ status: response.statusCode ?? 0, head, body: Buffer.concat(chunks).toString("utf8") });
      });
    });
    request.on("error", reject);
    request.end(body);
  });
}

/** What an answer tells of the inside: frames of a stack, files, packages, statements, the database's own words. */
const inside =
  /\n\s*at |\.[cm]?[jt]s:\d|node_modules|node:|fastify|postgres|drizzle|graphile|SQLSTATE|syntax error|relation "|\bselect\b.*\bfrom\b|\binsert into\b|v?\d+\.\d+\.\d+/i;

/** Asks, and expects a refusal (4xx) that says nothing of the inside. */
async function refused(asked: Asked): Promise<Answer> {
  const answer = await ask(asked);
  expect(answer.status, asked.path).toBeGreaterThanOrEqual(400);
  expect(answer.status, asked.path).toBeLessThan(500);
  expect(JSON.parse(answer.body)).toMatchObject({ resourceType: "OperationOutcome" });
  expect(`${answer.head}\n${answer.body}`).not.toMatch(inside);
  return answer;
}

test("what would give the inside away is seen where it is planted", () => {
  const planted = [
    "Error\n    at read (file.js)",
    "src/app.ts:12",
    'relation "resource" does not exist',
    "select id from patient",
    "Fastify/5",
    "18.4.0",
  ];
  for (const text of planted) expect(text).toMatch(inside);
  expect("There is nothing for GET at this address.").not.toMatch(inside);
});

describe("tricks with the path", () => {
  test.each([
    "/fhir/..%2f..%2fetc%2fpasswd",
    "/fhir/%2e%2e/%2e%2e/etc/passwd",
    "/fhir/../../etc/passwd",
    "/fhir/Patient/..%2f..%2fx",
    "/fhir/Patient/%2e%2e%2fObservation",
    "/fhir/Patient/a%00b",
    "/fhir/Patient%00",
    "/%00",
    "/fhir//Patient",
    "//fhir/Patient",
    "//evil.example/fhir/Patient",
    "/fhir/Patient//_history",
    "/fhir/Patient/%",
    "/fhir/Patient/%zz",
    "/fhir/Patient/%c0%ae%c0%ae",
    "/fhir/Patient/%ff",
    "/fhir/Patient/a;b=c/../d",
    "/fhir\\Patient",
    "/fhir/%5c..%5cPatient",
    "/docs/..%2f..%2fpackage.json",
    "/docs/static/..%2f..%2f..%2fpackage.json",
    "/docs/static/%2e%2e/%2e%2e/package.json",
    "/docs/static/../../../package.json",
    `/fhir/Patient/${"a".repeat(5_000)}`,
    `/${"a/".repeat(3_000)}`,
    "/fhir/__proto__",
    "/fhir/constructor/prototype",
    "/fhir/Patient/__proto__",
    "/fhir/toString",
    "/api/v1/patients/..%2f..%2fx/days",
    "/api/v1/uploads/..%2f..%2fetc%2fpasswd/content",
    "/api/v1/plans/%00/thresholds",
    "/api/v1/tasks/%2e%2e/explain",
  ])("%s", async (path) => {
    const answer = await refused({ path });
    expect(answer.body).not.toMatch(/root:|"dependencies"/);
  });
});

describe("parameters that stand more than once, or that nobody meant", () => {
  test.each([
    ["a page size twice", "/fhir/Patient?_count=1&_count=2"],
    ["an array's brackets", "/fhir/Patient?name[]=a&name[0]=b&name[x][y]=c"],
    ["the names of an object's insides", "/fhir/Patient?__proto__=1&constructor=2&prototype=3&toString=4"],
    ["the same criterion a thousand times", `/fhir/Patient?${"name=a&".repeat(1_000)}`],
    ["half of an escape", "/fhir/Patient?name=%E0%A4%A"],
    ["a nought byte", "/fhir/Patient?name=a%00b"],
    ["half of a pair", "/fhir/Patient?name=%ED%A0%80"],
    ["a statement", "/fhir/Patient?name=%27%3B%20drop%20table%20resource%3B%20--"],
    ["a statement as a name", "/fhir/Patient?%27%20or%201%3D1%20--=a"],
    ["a statement as an order", "/fhir/Patient?_sort=name%3Bselect%20pg_sleep(9)"],
    ["an endless pattern", `/fhir/Patient?name:contains=${"%25".repeat(2_000)}`],
    ["a long chain", `/fhir/Observation?${"subject:Patient.".repeat(40)}name=a`],
    ["a page that nobody gave out", "/fhir/Patient?_page=AAAA"],
    ["a number without end", `/fhir/Observation?value-quantity=1e${"9".repeat(400)}`],
    ["a date without end", `/fhir/Observation?date=ge${"9".repeat(400)}`],
    ["a sort of the caseload twice", "/api/v1/caseload?sort=urgency&sort=urgency"],
    ["the insides of an object in the caseload", "/api/v1/caseload?__proto__[count]=1&constructor=1"],
    ["a nought byte in the caseload", "/api/v1/caseload?sort=%00"],
  ])("%s: answered or refused, never broken", async (_what, path) => {
    const answer = await ask({ path });
    expect(answer.status).toBeGreaterThanOrEqual(200);
    expect(answer.status).toBeLessThan(500);
    expect(answer.head).not.toMatch(/^(server|x-powered-by)$/im);
    if (answer.status >= 400) expect(answer.body).not.toMatch(/\n\s*at |\.ts:\d|syntax error|relation "/);
  });
});

const nested = (depth: number) => `${'{"extension":['.repeat(depth)}${"]}".repeat(depth)}`;

/** Bodies that are hostile at any door that reads JSON. */
const bodies: readonly (readonly [what: string, body: string])[] = [
  ["a prototype's key below", '{"resourceType":"Patient","name":[{"__proto__":{"family":"x"}}]}'],
  ["a constructor's key", '{"resourceType":"Patient","constructor":{"prototype":{"active":true}}}'],
  ["10 000 levels of lists", `${"[".repeat(10_000)}${"]".repeat(10_000)}`],
  ["5 000 levels of extensions", `{"resourceType":"Patient","extension":[${nested(5_000)}]}`],
  ["a key twice", '{"resourceType":"Patient","resourceType":"Observation"}'],
  ["a type that is an object's inside", '{"resourceType":"__proto__"}'],
  ["a type that is no text", '{"resourceType":{"toString":1}}'],
  ["a list", "[]"],
  ["null", "null"],
  ["a number that is not finite", '{"resourceType":"Patient","multipleBirthInteger":1e999}'],
];

describe("bodies that are meant to break something", () => {
  test.each(bodies)("a create with %s is refused", async (_what, body) => {
    await refused({ method: "POST", path: "/fhir/Patient", body });
  });

  test.each(bodies)(
    "%s among the use records, the thresholds and the parameters of an operation is refused",
    async (_what, body) => {
      const headers = { "content-type": "application/json" };
      await refused({ method: "PUT", path: "/api/v1/thresholds", headers, body });
      await refused({ method: "POST", path: "/fhir/Patient/$match", body });
      // An upload is answered with its own report, but as a refusal as well.
      const upload = await ask({ method: "POST", path: "/api/v1/use-records", headers, body });
      expect([upload.status >= 400, upload.status < 500]).toEqual([true, true]);
      expect(upload.body).not.toMatch(inside);
    },
  );

  // A member of that name is left out as it is read, and what remains is a Patient.
  test.each(["__proto__", "\\u005f_proto__"])(
    "what %s says is stored nowhere and nobody's property afterwards",
    async (key) => {
      const body = `{"resourceType":"Patient","${key}":{"active":true,"resourceType":"Observation"}}`;
      const made = await ask({ method: "POST", path: "/fhir/Patient", body });
      expect(made.status).toBe(201);
      const { id, meta, ...rest } = JSON.parse(made.body) as Record<string, unknown>;
      expect([typeof id, typeof meta, rest]).toEqual(["string", "object", { resourceType: "Patient" }]);
      expect(made.body).not.toContain("active");
      expect(({} as { active?: unknown }).active).toBeUndefined();
    },
  );

  test("a JSON Patch that aims at a prototype is refused", async () => {
    await ask({ method: "PUT", path: "/fhir/Patient/p", body: '{"resourceType":"Patient","id":"p"}' });
    const headers = { "content-type": "application/json-patch+json" };
    for (const path of ["/__proto__/active", "/constructor/prototype/active", "/name/__proto__/x"]) {
      const body = JSON.stringify([{ op: "add", path, value: true }]);
      await refused({ method: "PATCH", path: "/fhir/Patient/p", headers, body });
    }
    expect(({} as { active?: unknown }).active).toBeUndefined();
    await ask({ method: "DELETE", path: "/fhir/Patient/p" });
  });
});

describe("bodies that grow when they are unpacked", () => {
  const bomb = gzipSync(Buffer.alloc(150_000_000, " "), { level: 9 });
  const packed = { "content-encoding": "gzip" };

  test.each([
    ["a create", "/fhir/Patient", "application/fhir+json"],
    ["a batch", "/fhir", "application/fhir+json"],
    ["a search", "/fhir/Patient/_search", "application/x-www-form-urlencoded"],
    ["use records", "/api/v1/use-records", "application/json"],
  ])("%s of 150 MB in less than 200 kB is refused, and memory does not follow it", async (_what, path, type) => {
    expect(bomb.length).toBeLessThan(200_000);
    const before = process.memoryUsage().rss;
    const answer = await ask({ method: "POST", path, headers: { ...packed, "content-type": type }, body: bomb });
    expect([path, answer.status]).toEqual([path, 413]);
    expect(process.memoryUsage().rss - before).toBeLessThan(100_000_000);
  });

  test("what is no gzip, though it says so, is refused", async () => {
    await refused({ method: "POST", path: "/fhir/Patient", headers: packed, body: "no gzip" });
    await refused({ method: "POST", path: "/fhir/Patient", headers: packed, body: bomb.subarray(0, 100) });
  });
});

describe("headers that are meant to break something", () => {
  test.each([
    ["a token of 10 kB", { authorization: `Bearer ${"a".repeat(10_000)}` }],
    ["a token that is a statement", { authorization: "Bearer ' or 1=1 --" }],
    ["a condition that is a statement", { "if-none-exist": "identifier=' or 1=1 --" }],
    ["a request id that breaks lines", { "x-request-id": "a%0d%0aset-cookie: b" }],
    ["a language, a host and a tenant of somebody else", { host: "evil.example", "x-tenant-id": "2" }],
    ["a format that nobody writes", { accept: `${"a/b,".repeat(1_000)}a/b` }],
    ["a preference without end", { prefer: "return=minimal;".repeat(500) }],
  ])("%s", async (_what, headers) => {
    const answer = await ask({ path: "/fhir/Patient", headers });
    expect(answer.status).toBeGreaterThanOrEqual(200);
    expect(answer.status).toBeLessThan(500);
    expect(answer.head).not.toMatch(/set-cookie/i);
    if (answer.status >= 400) expect(answer.body).not.toMatch(inside);
  });
});
