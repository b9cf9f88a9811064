import { request as httpRequest } from "node:http";
import { type AddressInfo, connect } from "node:net";
import { setTimeout as sleep } from "node:timers/promises";
import { afterAll, beforeAll, expect, test } from "vitest";
import { readConfig } from "../../src/config.ts";
import { jobLogOn } from "../../src/log.ts";
import { startWorker } from "../../src/store/worker.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askForToken, assertionOf, sendForm, testClient } from "../support/client.ts";
import { onServer } from "../support/database.ts";
import { memoryLog } from "../support/memory-log.ts";

// OWASP Logging Cheat Sheet ("Data to exclude"), ASVS 4.0.3 V7.1.1 and V7.1.2. All planted is invented.
const family = "Fernleighton";
const planted = [family, "Quillonia", "NX-777-4711-0", "1937-11-23", "Tarnwick", "planted-secret"];
const log = memoryLog("trace");
let here: TestApp;
let port = 0;

beforeAll(async () => {
  here = await testApp("2026-04-10T09:00:00Z", { log: log.logger, maxBodyBytes: 100_000 });
  await here.app.listen({ port: 0, host: "127.0.0.1" });
  port = (here.app.server.address() as AddressInfo).port;
});

afterAll(() => here.close());

const patient = {
  resourceType: "Patient",
  identifier: [{ system: "urn:example:numbers", value: planted[2] }],
  name: [{ family, given: [planted[1]] }],
  birthDate: planted[3],
  address: [{ line: [`7 ${planted[4]} Steps`], city: planted[4] }],
};

async function send(
  method: string,
  url: string,
  body?: unknown,
  headers: Record<string, string> = {},
): Promise<number> {
  const json = url.startsWith("/fhir") ? "application/fhir+json" : "application/json";
  const answer = await here.app.inject({
    method: method as "GET",
    url,
    headers: {
      authorization: `Bearer ${here.token}`,
      ...(body === undefined ? {} : { "content-type": json }),
      ...headers,
    },
    ...(body === undefined ? {} : { payload: typeof body === "string" ? body : JSON.stringify(body) }),
  });
  return answer.statusCode;
}

/** What is planted, and every text of it in other spellings, must be in no line; and there must be lines. */
function expectNothingPlanted(from: number, atLeast: number): void {
  const lines = log.lines().slice(from);
  expect(lines.length).toBeGreaterThanOrEqual(atLeast);
  const text = lines.join("\n").toLowerCase();
  const bytes = (one: string) => [...Buffer.from(one)].join(",");
  for (const one of planted) {
    for (const form of [one, encodeURIComponent(one), Buffer.from(one).toString("base64").slice(0, -4), bytes(one)]) {
      expect(text).not.toContain(form.toLowerCase());
    }
  }
}

test("what is planted would be seen", () => {
  const from = log.lines().length;
  log.logger.info({ patient: family }, "planted");
  expect(() => expectNothingPlanted(from, 1)).toThrow();
});

test("nothing of what the FHIR door takes, refuses or looks for", async () => {
  const from = log.lines().length;
  const form = { "content-type": "application/x-www-form-urlencoded" };
  const bundle = (type: string) => ({
    resourceType: "Bundle",
    type,
    entry: [
      { resource: patient, request: { method: "POST", url: "Patient", ifNoneExist: `family=${family}` } },
      { request: { method: "GET", url: `Patient?name=${family}` } },
      { request: { method: "GET", url: `Patient/${family}` } },
    ],
  });
  const statuses = [
    await send("POST", "/fhir/Patient", patient),
    await send("PUT", `/fhir/Patient/${family}`, { ...patient, id: family }),
    await send("PUT", `/fhir/Patient/${family}`, { ...patient, id: family }, { "if-match": 'W/"9"' }),
    await send("GET", `/fhir/Patient?name=${family}&birthdate=${planted[3]}&address=${planted[4]}`),
    await send("GET", `/fhir/Patient?identifier=urn:example:numbers|${planted[2]}&${family}=x`, undefined, {
      prefer: "handling=strict",
    }),
    await send("POST", "/fhir/Patient/_search", `family=${family}`, form),
    await send("GET", `/fhir/Patient/${family}-x`),
    await send("GET", `/fhir/${family}/1`),
    await send("GET", `/fhir/Patient/${family}`, undefined, { "break-glass": `${family} does not answer` }),
    await send("GET", `/fhir/Patient/%${family}`),
    await send("GET", `/${family}`),
    await send("POST", "/fhir/Patient", { ...patient, [family]: family }),
    await send("POST", "/fhir/Patient", { ...patient, birthDate: family }),
    await send("POST", "/fhir/Patient", `{"resourceType":"Patient",\n    at ${family}`),
    await send("POST", "/fhir/Patient", `{"resourceType":"Patient","name":[{"family":"${family}\\u0000"}]}`),
    await send("POST", "/fhir", bundle("batch")),
    await send("POST", "/fhir", bundle("transaction")),
    await send("POST", "/fhir/Patient/$match", {
      resourceType: "Parameters",
      parameter: [{ name: "resource", resource: patient }],
    }),
    await send("POST", "/fhir/Observation", {
      resourceType: "Observation",
      status: "final",
      code: { text: family },
      subject: { reference: `Patient/${family}x` },
    }),
    await send("DELETE", `/fhir/Patient?family=${family}`),
  ];
  expect(new Set(statuses.map((status) => Math.floor(status / 100)))).toEqual(new Set([2, 4]));
  expectNothingPlanted(from, statuses.length);
});

test("nothing of what arrives as use records, thresholds and clients", async () => {
  const from = log.lines().length;
  const record = {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: family },
    readAt: "2026-04-09T20:00:00Z",
    sessions: [{ start: `${planted[3]}T08:00:00Z`, end: "2026-04-08T07:00:00Z", stopReason: family }],
  };
  const client = { name: family, role: "dashboard", jwksUrl: `https://${family}.example/planted-secret` };
  const statuses = [
    await send("POST", "/api/v1/use-records", record),
    await send("POST", "/api/v1/use-records", { ...record, [family]: 1 }),
    await send("POST", "/api/v1/use-records", `#device.serialNumber,${family}\nstart,end\n${family},x\n`, {
      "content-type": "text/csv",
    }),
    await send("POST", "/api/v1/use-records", `{"${family}`),
    await send("PUT", "/api/v1/thresholds", { settings: {}, note: family, setBy: planted[1] }),
    await send("PUT", "/api/v1/thresholds", { settings: { [family]: { value: family } }, note: family }),
    await send("GET", `/api/v1/caseload?name=${family}`),
    await send("GET", `/api/v1/caseload?sort=${family}`),
    await send("GET", `/api/v1/patients/${family}/days?firstDay=${family}`),
    await send("GET", `/api/v1/uploads/${family}`),
    await send("POST", "/api/v1/clients", client),
    await send("POST", "/api/v1/clients", { ...client, jwks: { keys: [{ kty: "EC", d: "planted-secret" }] } }),
  ];
  expect(new Set(statuses.map((status) => Math.floor(status / 100)))).toEqual(new Set([2, 4]));
  expectNothingPlanted(from, statuses.length);
});

test("no token and no assertion, good or bad", async () => {
  const from = log.lines().length;
  const client = await testClient(here, "integration");
  const good = await assertionOf(here, client);
  const answer = await askForToken(here, good, "system/Patient.rs");
  const { access_token: token } = answer.json() as { access_token: string };
  const bad = await assertionOf(here, client, { aud: "planted-secret" });
  await askForToken(here, bad);
  await askForToken(here, good);
  await sendForm(here, "/auth/introspect", { token }, token);
  await sendForm(here, "/auth/introspect", { token: "planted-secret" }, token);
  await send("GET", "/fhir/Patient", undefined, { authorization: `Bearer ${token}` });
  await sendForm(here, "/auth/revoke", { token }, token);
  for (const authorization of [`Bearer ${token}`, "Bearer planted-secret", "Basic planted-secret"]) {
    expect(await send("GET", "/fhir/Patient", undefined, { authorization })).toBe(401);
  }
  expectNothingPlanted(from, 10);
  const text = log.lines().slice(from).join("\n");
  for (const secret of [good, bad, token, here.token]) expect(text).not.toContain(secret.slice(-40));
});

/** Lets the next statement of the service fail with an error that PostgreSQL itself words, and answers what the door says. */
async function statusAt(code: string): Promise<number> {
  const { readPool } = here.service.database;
  const connectReally = readPool.connect.bind(readPool);
  const raise = `do $$ begin raise exception 'Key (family)=(${family}) already exists' using errcode = '${code}',
    detail = 'Failing row contains (${family}, ${planted[2]})', hint = '${family}', constraint = 'one_open'; end $$`;
  let hasFailed = false;
  const breaking = async () => {
    const client = await connectReally();
    const query = (statement: string | { text: string }, ...rest: unknown[]) => {
      const text = typeof statement === "string" ? statement : statement.text;
      if (hasFailed || /^select set_config/.test(text)) return client.query(statement as string, ...(rest as []));
      hasFailed = true;
      return client.query(raise);
    };
    return Object.create(client, {
      query: { value: query },
      release: { value: (error?: Error) => client.release(error) },
    });
  };
  Object.assign(readPool, { connect: breaking });
  try {
    return await send("GET", `/fhir/Patient/${family}`);
  } finally {
    Object.assign(readPool, { connect: connectReally });
  }
}

test("nothing of what the database quotes, be it known to the service or not", async () => {
  const from = log.lines().length;
  const statuses: number[] = [];
  for (const code of ["23505", "22P02", "23514", "42P01"]) statuses.push(await statusAt(code));
  expect(statuses).toEqual([409, 400, 500, 500]);
  expectNothingPlanted(from, 6);
  expect(log.lines().slice(from).join("\n")).toContain("one_open");
});

test("nothing of a job's error, nor the password of the database", async () => {
  const from = log.lines().length;
  const { connectionString } = here;
  const fail = () => Promise.reject(new Error(`${family} has no plan`));
  const worker = await startWorker(
    connectionString,
    { fail },
    { concurrency: 1, timetable: "", onLog: jobLogOn(log.logger) },
  );
  await onServer(connectionString, (client) =>
    client.query("select graphile_worker.add_job('fail', json_build_object('name', $1::text))", [family]),
  );
  const failed = () =>
    log
      .lines()
      .slice(from)
      .some((line) => line.includes("Failed task"));
  for (let waited = 0; waited < 10_000 && !failed(); waited += 50) await sleep(50);
  await worker.stop();
  expect(failed()).toBe(true);
  expectNothingPlanted(from, 2);
  const { password } = new URL(connectionString);
  if (password !== "") expect(log.lines().join("\n")).not.toContain(password);
  const kept = await onServer(connectionString, (client) =>
    client.query("select last_error from graphile_worker.jobs"),
  );
  expect(JSON.stringify(kept.rows)).toContain(family);
});

test("nothing of what is no HTTP, or is cut off", async () => {
  const from = log.lines().length;
  const raw = (text: string) =>
    new Promise<void>((resolve) => {
      const socket = connect(port, "127.0.0.1", () => socket.end(text));
      socket.on("close", () => resolve()).on("error", () => resolve());
      socket.resume();
    });
  const head = `Host: 127.0.0.1\r\nAuthorization: Bearer planted-secret\r\n`;
  await raw(`${family} /${family}\r\n\r\n`);
  await raw(`GET /fhir/Patient?name=${family} HTTP/1.1\r\n${head}${family}\r\n\r\n`);
  await raw(`GET /fhir/Patient/${family} HTTP/1.1\r\n${head}X-Long: ${family.repeat(3_000)}\r\n\r\n`);
  await raw(
    `POST /fhir/Patient HTTP/1.1\r\n${head}Content-Type: application/fhir+json\r\nContent-Length: 900\r\n\r\n{"${family}`,
  );
  await new Promise<void>((resolve) => {
    const options = { host: "127.0.0.1", port, method: "POST", path: `/fhir/Patient?${family}`, headers: here.headers };
    const request = httpRequest(options).on("error", () => resolve());
    request.write(`{"${family}`);
    setTimeout(() => request.destroy(), 100);
  });
  await sleep(200);
  expectNothingPlanted(from, 0);
});

test.each([
  ["a password", { DATABASE_URL: "postgress://me:planted-secret@db/x" }],
  ["the owner's password", { MIGRATION_DATABASE_URL: "me:planted-secret@db" }],
  ["a token where its hash belongs", { ACCESS_TOKENS: "ward:planted-secret" }],
])("no complaint about the configuration repeats %s", (_what, env) => {
  const [name = ""] = Object.keys(env);
  const complaint = () => readConfig({ ...env, PORT: "x" } as Record<string, string>);
  expect(complaint).toThrow(name);
  expect(complaint).not.toThrow("planted-secret");
});
