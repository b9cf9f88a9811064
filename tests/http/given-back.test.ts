import { mkdtemp, rm, stat, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { csvOf } from "../../src/http/csv.ts";
import { demoToken, writeDemoAccess } from "../../src/http/demo-access.ts";
import { openDatabase } from "../../src/store/database.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { onServer } from "../support/database.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
});

afterAll(() => here.close());

// OWASP ASVS 4.0.3, V12.5.2: what somebody uploaded is never shown as a page.
test("an upload is given back as a download, whatever its sender called it", async () => {
  const page = "<html><script>alert(1)</script></html>";
  const { authorization } = here.headers;
  await here.app.inject({
    method: "POST",
    url: "/api/v1/use-records",
    headers: { authorization, "content-type": "text/html" },
    payload: page,
  });
  const list = await here.app.inject({ method: "GET", url: "/api/v1/uploads", headers: { authorization } });
  const [{ uploadId }] = (list.json() as { uploads: [{ uploadId: string }] }).uploads;
  const answer = await here.app.inject({
    method: "GET",
    url: `/api/v1/uploads/${uploadId}/content`,
    headers: { authorization },
  });
  expect(answer.body).toBe(page);
  expect(answer.headers).toMatchObject({
    "content-type": "application/octet-stream",
    "content-disposition": `attachment; filename="${uploadId}"`,
    "x-content-type-options": "nosniff",
  });
});

// https://owasp.org/www-community/attacks/CSV_Injection; RFC 4180, 2.
describe("a table for a spreadsheet", () => {
  test.each(["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])("defuses the formula %j", (name) => {
    expect(csvOf(["name"], [[name]])).toBe(`"name"\r\n"'${name}"\r\n`);
  });

  test("keeps commas, quotes and line breaks inside their cell", () => {
    expect(csvOf(["a"], [['x",=1\r\n"y']])).toBe('"a"\r\n"x"",=1\r\n""y"\r\n');
  });
});

// OWASP ASVS 4.0.3, V6.4.1 and V8.3: secrets that the demo leaves on the disk.
test("the demo's token is chance, and its file its owner's alone", async () => {
  const folder = await mkdtemp(join(tmpdir(), "tidegate-demo-"));
  const token = await demoToken(folder);
  expect(token).toMatch(/^[\w-]{43}$/);
  expect(await demoToken(folder)).not.toBe(token);
  await writeFile(join(folder, "demo-access.json"), "{}", { mode: 0o644 });
  const path = await writeDemoAccess(folder, { fhirUrl: "x", apiUrl: "y", token });
  expect(await demoToken(folder)).toBe(token);
  expect((await stat(path)).mode & 0o777).toBe(0o600);
  await rm(folder, { recursive: true });
});

// OWASP API Security Top 10 (2023), API4.
test("a question that takes the database too long is stopped, and the next one is answered", async () => {
  const impatient = openDatabase(here.connectionString, { statementTimeoutMs: 200 });
  const { readPool } = here.service.database;
  const connect = readPool.connect.bind(readPool);
  Object.assign(readPool, { connect: () => impatient.readPool.connect() });
  const ask = () =>
    here.app.inject({ method: "GET", url: "/fhir/Patient", headers: { authorization: here.headers.authorization } });
  try {
    const stopped = await onServer(here.connectionString, async (client) => {
      await client.query("begin; lock table resource in access exclusive mode");
      const answer = await ask();
      await client.query("rollback");
      return answer;
    });
    expect([stopped.statusCode, (stopped.json() as { issue: [{ code: string }] }).issue[0].code]).toEqual([
      422,
      "too-costly",
    ]);
    expect((await ask()).statusCode).toBe(200);
  } finally {
    Object.assign(readPool, { connect });
    await impatient.close();
  }
});
