import { readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { registerClient } from "../../src/flows/client.ts";
import { registerClientCommand } from "../../src/register-client.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { keyPair, tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";
import { ask, confidential, servedTypes } from "./withheld.ts";

// Two Tasks, of which a dashboard may see one, and two resources that a Task may point to.
let here: TestApp;
let dashboard = "";
const task = (id: string, more: object = {}) =>
  ({ resourceType: "Task", id, status: "requested", intent: "order", ...more }) as { resourceType: string; id: string };
const basic = (id: string, more: object = {}) =>
  ({ resourceType: "Basic", id, code: { text: "x" }, ...more }) as { resourceType: string; id: string };

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z", { types: servedTypes });
  await put(here, basic("seen"), basic("hidden", confidential("R")));
  const identifier = [{ system: "urn:x", value: "hidden" }];
  await put(here, task("hidden", { ...confidential("R"), identifier, description: "As it was" }), task("seen"));
  await put(here, task("pointing", { focus: { reference: "Basic/hidden" } }));
  dashboard = await tokenFor(here, "dashboard");
});

afterAll(() => here.close());

const patch = [{ op: "replace", path: "/status", value: "completed" }];
const patching = { "content-type": "application/json-patch+json" };

/** The same request about what is withheld and about what never was, each answer with the id taken out. */
async function both(url: string, options: (id: string) => Parameters<typeof ask>[3]): Promise<unknown[]> {
  const answers = ["hidden", "nobody"].map(async (id) => {
    const { statusCode, body } = await ask(here, dashboard, url.replaceAll("{id}", id), options(id));
    return { statusCode, body: body.replaceAll(id, "{id}") };
  });
  return Promise.all(answers);
}

describe("what is withheld from a client that updates", () => {
  const meta = {
    resourceType: "Parameters",
    parameter: [{ name: "meta", valueMeta: { tag: [{ system: "urn:x", code: "y" }] } }],
  };
  const bundle = (id: string, type: string, url = `Task/${id}`) => ({
    resourceType: "Bundle",
    type,
    entry: [
      {
        resource: {
          resourceType: "Binary",
          contentType: "application/json-patch+json",
          data: Buffer.from(JSON.stringify(patch)).toString("base64"),
        },
        request: { method: "PATCH", url },
      },
    ],
  });

  test.each<[string, string, (id: string) => Parameters<typeof ask>[3]]>([
    ["an update", "/fhir/Task/{id}", (id) => ({ method: "PUT", payload: task(id) })],
    [
      "an update of a version",
      "/fhir/Task/{id}",
      (id) => ({ method: "PUT", payload: task(id), headers: { "if-match": 'W/"1"' } }),
    ],
    ["a patch", "/fhir/Task/{id}", () => ({ method: "PATCH", payload: patch, headers: patching })],
    [
      "a patch of a version",
      "/fhir/Task/{id}",
      () => ({ method: "PATCH", payload: patch, headers: { ...patching, "if-match": 'W/"7"' } }),
    ],
    [
      "a conditional patch",
      "/fhir/Task?identifier=urn:x|{id}",
      () => ({ method: "PATCH", payload: patch, headers: patching }),
    ],
    ["a tag", "/fhir/Task/{id}/$meta-add", () => ({ method: "POST", payload: meta })],
    ["a patch in a batch", "/fhir", (id) => ({ method: "POST", payload: bundle(id, "batch") })],
    ["a patch in a transaction", "/fhir", (id) => ({ method: "POST", payload: bundle(id, "transaction") })],
    [
      "a conditional patch in a transaction",
      "/fhir",
      (id) => ({ method: "POST", payload: bundle(id, "transaction", `Task?identifier=urn:x|${id}`) }),
    ],
    [
      "a check before an update",
      "/fhir/Task/{id}/$validate",
      (id) => ({
        method: "POST",
        payload: {
          resourceType: "Parameters",
          parameter: [
            { name: "mode", valueCode: "update" },
            { name: "resource", resource: task(id) },
          ],
        },
      }),
    ],
  ])("is neither changed nor told of by %s", async (_what, url, options) => {
    const [withheld, nobodys] = await both(url, options);
    expect(withheld).toEqual(nobodys);
    expect((await ask(here, here.token, "/fhir/Task/hidden")).body).toContain('"versionId":"1"');
    expect((await ask(here, here.token, "/fhir/Task/nobody")).statusCode).toBe(404);
  });

  test("is not found by pointing to it", async () => {
    const answers = await both("/fhir/Task/seen", (id) => ({
      method: "PUT",
      payload: task("seen", { focus: { reference: `Basic/${id}` } }),
    }));
    expect(answers[0]).toEqual(answers[1]);
    expect(answers[0]).toMatchObject({ statusCode: 422 });
    const checks = await both("/fhir/Task/$validate", (id) => ({
      method: "POST",
      payload: {
        resourceType: "Parameters",
        parameter: [
          { name: "mode", valueCode: "create" },
          { name: "resource", resource: task("t", { focus: { reference: `Basic/${id}` } }) },
        ],
      },
    }));
    expect(checks[0]).toEqual(checks[1]);
  });

  test("may stay pointed to: a Task is worked on as before", async () => {
    const { statusCode, body } = await ask(here, dashboard, "/fhir/Task/pointing", {
      method: "PATCH",
      payload: patch,
      headers: patching,
    });
    expect([statusCode, body.includes("Basic/hidden")]).toEqual([200, true]);
  });

  test("while what shows is updated", async () => {
    const { statusCode } = await ask(here, dashboard, "/fhir/Task/seen", {
      method: "PUT",
      payload: task("seen", { focus: { reference: "Basic/seen" } }),
    });
    expect(statusCode).toBe(200);
  });
});

describe("a client is registered", () => {
  const keys = { name: "x", jwksUrl: "https://keys.example/jwks" };
  const register = async (wanted: object) => {
    const made = await registerClient(here.service, here.tenantId, { role: "dashboard", ...keys, ...wanted });
    return made.ok
      ? { confidentiality: made.value.confidentiality, scopes: made.value.scopes }
      : made.refusals.map((one) => one.at);
  };

  test("with the clearance of its role, and never with the scope to break the glass unless it asks", async () => {
    expect(await register({})).toEqual({
      confidentiality: "N",
      scopes: ["system/*.rs", "system/Task.u", "tidegate/dashboard.r", "tidegate/thresholds.r"],
    });
    expect(await register({ role: "integration" })).toMatchObject({
      confidentiality: "V",
      scopes: expect.not.arrayContaining(["tidegate/break-glass.c"]),
    });
    expect(await register({ role: "administrator" })).toMatchObject({
      confidentiality: "N",
      scopes: expect.arrayContaining(["tidegate/clients.crud"]),
    });
    expect(await register({ scope: "system/*.rs tidegate/break-glass.c" })).toMatchObject({
      scopes: ["system/*.rs", "tidegate/break-glass.c"],
    });
  });

  // Who writes what it cannot see would overwrite it, or learn by refusals that it is there.
  test("without clearance for reading and for Tasks alone", async () => {
    expect(await register({ role: "integration", confidentiality: "N" })).toEqual({
      confidentiality: "N",
      scopes: expect.not.arrayContaining(["system/*.cruds"]),
    });
    expect(await register({ role: "integration", confidentiality: "R", scope: "system/Observation.c" })).toEqual([
      "scope",
    ]);
    expect(await register({ role: "integration", confidentiality: "N", scope: "tidegate/use-records.c" })).toEqual([
      "scope",
    ]);
    expect(await register({ confidentiality: "U" })).toEqual(["confidentiality"]);
    expect(await register({ role: "administrator", scope: "tidegate/break-glass.c" })).toEqual(["scope"]);
  });

  test("by the door and by the command with the clearance that is asked for", async () => {
    const administrator = await tokenFor(here, "administrator");
    const payload = { role: "dashboard", confidentiality: "R", ...keys };
    const headers = { "content-type": "application/json" };
    const made = await ask(here, administrator, "/api/v1/clients", { method: "POST", payload, headers });
    expect([made.statusCode, JSON.parse(made.body)]).toMatchObject([201, { confidentiality: "R" }]);
    const wrong = await ask(here, administrator, "/api/v1/clients", {
      method: "POST",
      payload: { ...payload, confidentiality: "X" },
      headers,
    });
    expect(wrong.statusCode).toBe(400);
    const path = join(tmpdir(), `keys-${process.pid}.json`);
    await writeFile(path, JSON.stringify({ keys: [(await keyPair()).jwk] }));
    expect(JSON.parse(await readFile(path, "utf8"))).toHaveProperty("keys");
    const text = await registerClientCommand(here.service, [
      "--tenant",
      "test",
      "--name",
      "x",
      "--role",
      "dashboard",
      "--jwks",
      path,
      "--confidentiality",
      "V",
    ]);
    await rm(path);
    const [, clientId = ""] = /Registered as (\S+)/.exec(text) ?? [];
    expect(JSON.parse((await ask(here, administrator, `/api/v1/clients/${clientId}`)).body)).toMatchObject({
      confidentiality: "V",
    });
  });
});
