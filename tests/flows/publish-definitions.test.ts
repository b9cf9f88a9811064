import { afterEach, beforeEach, expect, test } from "vitest";
import { conformanceResources } from "../../src/fhir/profiles/conformance.ts";
import { serviceDevice } from "../../src/fhir/service-device.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { publishDefinitions } from "../../src/flows/publish-definitions.ts";
import { read, readOneVersion } from "../../src/flows/read-resource.ts";
import { inTenant } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { put, type TestService, testService } from "../support/service.ts";

let made: TestService;
beforeEach(async () => {
  made = await testService("2026-03-01T10:00:00Z");
});
afterEach(async () => made.close());

const publish = () => publishDefinitions(made.service);

async function stored(type: string, id: string, tenantId = made.tenantId) {
  const answer = await read(made.service, tenantId, type, id);
  if (!answer.ok) throw new Error(JSON.stringify(answer.refusals));
  return answer.value;
}

async function body(type: string, id: string) {
  return JSON.parse((await stored(type, id)).body) as Record<string, unknown>;
}

test("every definition of ours is stored with every tenant, as it is written in the code", async () => {
  const other = await ensureTenant(made.database, "other");
  const all = [...conformanceResources(), serviceDevice()];
  expect(await publish()).toBe(2 * all.length);
  for (const one of all) {
    const { meta: _, ...answered } = await body(one.resourceType, one.id);
    expect(answered).toEqual(JSON.parse(JSON.stringify(one)));
    expect((await stored(one.resourceType, one.id, other.tenantId)).version).toBe(1);
  }
});

test("doing it again writes nothing", async () => {
  await publish();
  expect(await publish()).toBe(0);
  expect((await stored("CodeSystem", "therapy")).version).toBe(1);
});

// https://hl7.org/fhir/R4/http.html#versions: every change of a resource makes a later version
test("a definition that has changed is stored as a later version, and its tags stay", async () => {
  await publish();
  const changed = { ...(await body("CodeSystem", "therapy")), title: "Old title" };
  const tag = [{ system: "https://example.org/tags", code: "seen" }];
  await put(made, { ...changed, meta: { tag } } as never);
  expect(await publish()).toBe(1);
  expect((await stored("CodeSystem", "therapy")).version).toBe(3);
  expect(await body("CodeSystem", "therapy")).toMatchObject({ title: "Therapies", meta: { tag } });
  const old = await readOneVersion(made.service, made.tenantId, { type: "CodeSystem", id: "therapy", version: 2 });
  expect(old.ok && JSON.parse(old.value.body)).toMatchObject({ title: "Old title" });
});

test("a definition that a client deleted comes back", async () => {
  await publish();
  await deleteResource(made.service, made.tenantId, { type: "ValueSet", id: "device-kind" });
  expect(await publish()).toBe(1);
  expect((await stored("ValueSet", "device-kind")).version).toBe(3);
});

test("a client's resource of another url under the same id is left as it is", async () => {
  const theirs = { resourceType: "ValueSet", id: "device-kind", url: "https://example.org/vs", status: "active" };
  await put(made, theirs);
  const wanted = [...conformanceResources(), serviceDevice()];
  expect(await publish()).toBe(wanted.length - 1);
  expect(await body("ValueSet", "device-kind")).toMatchObject(theirs);
});

test("a client's Device of another identifier under the service's id is left as it is", async () => {
  const theirs = { resourceType: "Device", id: "tidegate-service", identifier: [{ value: "pump-7" }] };
  await put(made, theirs);
  expect(await publish()).toBe(conformanceResources().length);
  expect(await body("Device", "tidegate-service")).toMatchObject(theirs);
});

test("the service's own Device is there, and is no machine", async () => {
  await publish();
  const rows = await inTenant(made.database, made.tenantId, (session) =>
    session.query("select kind from device where tenant_id = $1", [made.tenantId]),
  );
  expect(rows).toEqual([{ kind: "software" }]);
  expect(await body("Device", "tidegate-service")).toMatchObject({ deviceName: [{ name: "Tidegate" }] });
});

test("definitions of a type that is switched off are not stored", async () => {
  const has = (type: string) => type !== "ValueSet" && made.service.definitions.has(type);
  const service = { ...made.service, definitions: { ...made.service.definitions, has } };
  const rest = [...conformanceResources(), serviceDevice()].filter((one) => one.resourceType !== "ValueSet");
  expect(await publishDefinitions(service)).toBe(rest.length);
  expect(await read(service, made.tenantId, "ValueSet", "device-kind")).toMatchObject({ ok: false });
});

test("two processes that start together both end well, and each definition is there once", async () => {
  const counts = await Promise.all([publish(), publish()]);
  expect(Math.max(...counts)).toBe(conformanceResources().length + 1);
  expect(Math.min(...counts)).toBe(0);
});
