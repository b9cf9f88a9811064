import { afterAll, beforeAll, expect, test } from "vitest";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { patchedWrite, patchResource, patchWhere } from "../../src/flows/patch-resource.ts";
import { read, readOneVersion } from "../../src/flows/read-resource.ts";
import { defaultLimits } from "../../src/flows/service.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import type { StoredResource } from "../../src/store/resource.ts";
import { put, type TestService, testService } from "../support/service.ts";

// https://hl7.org/fhir/R4/http.html#patch: the result of a patch is processed as an update.

const jsonPatch = "application/json-patch+json";

let service: TestService;

beforeAll(async () => {
  service = await testService("2026-03-01T10:00:00Z");
});

afterAll(() => service.close());

function patch(target: { type: string; id: string; ifVersion?: number }, text: string, contentType = jsonPatch) {
  return patchResource(service.service, service.tenantId, target, contentType, text);
}

async function bodyOf(id: string): Promise<string> {
  const found = await read(service.service, service.tenantId, "Observation", id);
  if (!found.ok) throw new Error(found.refusals[0]?.detail);
  return found.value.body;
}

/** Stores an Observation whose text is written here, so that its decimal keeps its zeros. */
async function putObservation(id: string): Promise<void> {
  const text = `{"resourceType":"Observation","id":"${id}","status":"preliminary","code":{"text":"peak cough flow"},"valueQuantity":{"value":160.50,"unit":"L/min"}}`;
  const target = { type: "Observation", id };
  const written = await updateResource(service.service, service.tenantId, target, text);
  if (!written.ok) throw new Error(written.refusals[0]?.detail);
}

test("a JSON Patch makes the next version, decimals as they were written, and the old one stays readable", async () => {
  await putObservation("a");
  const text =
    '[{"op":"test","path":"/valueQuantity/value","value":160.5},{"op":"replace","path":"/status","value":"final"}]';
  const written = await patch({ type: "Observation", id: "a" }, text);
  expect(written).toMatchObject({ ok: true, value: { created: false, stored: { version: 2 } } });
  expect(await bodyOf("a")).toContain('"status":"final"');
  expect(await bodyOf("a")).toContain('"value":160.50');
  expect(await bodyOf("a")).toContain('"versionId":"2"');
  const first = await readOneVersion(service.service, service.tenantId, { type: "Observation", id: "a", version: 1 });
  expect(first.ok && first.value.body).toContain('"status":"preliminary"');
});

test("a FHIRPath Patch makes the next version, its decimals as they were written", async () => {
  await putObservation("b");
  const text = `{"resourceType":"Parameters","parameter":[{"name":"operation","part":[
    {"name":"type","valueCode":"replace"},{"name":"path","valueString":"Observation.value"},
    {"name":"value","valueQuantity":{"value":170.00,"unit":"L/min"}}]}]}`;
  const written = await patch({ type: "Observation", id: "b" }, text, "application/fhir+json");
  expect(written).toMatchObject({ ok: true, value: { stored: { version: 2 } } });
  expect(await bodyOf("b")).toContain('"value":170.00');
});

test("a patch of what is not there answers 404, of what is deleted 410", async () => {
  expect(await patch({ type: "Observation", id: "nowhere" }, "[]")).toMatchObject({ refusals: [{ status: 404 }] });
  await putObservation("gone");
  await deleteResource(service.service, service.tenantId, { type: "Observation", id: "gone" });
  expect(await patch({ type: "Observation", id: "gone" }, "[]")).toMatchObject({ refusals: [{ status: 410 }] });
});

// https://hl7.org/fhir/R4/http.html#concurrency
test("a patch for another version than the current one answers 412 and changes nothing", async () => {
  await putObservation("c");
  const before = await bodyOf("c");
  const text = '[{"op":"replace","path":"/status","value":"final"}]';
  const stale = await patch({ type: "Observation", id: "c", ifVersion: 7 }, text);
  expect(stale).toMatchObject({ refusals: [{ status: 412 }] });
  expect(await bodyOf("c")).toBe(before);
  expect(await patch({ type: "Observation", id: "c", ifVersion: 1 }, text)).toMatchObject({ ok: true });
});

test.each([
  ["no status", '[{"op":"remove","path":"/status"}]', 422],
  ["an element that R4 does not have", '[{"op":"add","path":"/colour","value":"red"}]', 422],
  ["an empty list", '[{"op":"add","path":"/note","value":[]}]', 422],
  ["a failed test", '[{"op":"test","path":"/status","value":"final"}]', 422],
  ["another id", '[{"op":"replace","path":"/id","value":"x"}]', 400],
  ["another type", '[{"op":"replace","path":"/resourceType","value":"Patient"}]', 400],
  ["a malformed operation", '[{"op":"put","path":"/status"}]', 400],
])("a patch with %s is refused and changes nothing", async (_name, text, status) => {
  await putObservation("d");
  const before = await bodyOf("d");
  expect(await patch({ type: "Observation", id: "d" }, text)).toMatchObject({ ok: false, refusals: [{ status }] });
  expect(await bodyOf("d")).toBe(before);
});

test("an XML Patch answers 415", async () => {
  await putObservation("e");
  const written = await patch({ type: "Observation", id: "e" }, "<diff/>", "application/xml-patch+xml");
  expect(written).toMatchObject({ refusals: [{ kind: "not-supported", status: 415 }] });
});

test("version and time of change in a patch give way to those of the service", async () => {
  await putObservation("f");
  const text =
    '[{"op":"replace","path":"/meta/versionId","value":"99"},{"op":"add","path":"/meta/tag","value":[{"code":"x"}]}]';
  expect(await patch({ type: "Observation", id: "f" }, text)).toMatchObject({ ok: true });
  expect(JSON.parse(await bodyOf("f"))).toMatchObject({ meta: { versionId: "2", tag: [{ code: "x" }] } });
});

test("of eight patches at once for the same version one is taken, and without a version all are", async () => {
  await putObservation("g");
  const add = (n: number) => JSON.stringify([{ op: "add", path: "/identifier/-", value: { value: `n${n}` } }]);
  const list = await patch(
    { type: "Observation", id: "g" },
    '[{"op":"add","path":"/identifier","value":[{"value":"n"}]}]',
  );
  expect(list.ok).toBe(true);
  const eight = Array.from({ length: 8 }, (_, n) => n);
  const raced = await Promise.all(eight.map((n) => patch({ type: "Observation", id: "g", ifVersion: 2 }, add(n))));
  expect(raced.filter((one) => one.ok).length).toBe(1);
  expect(raced.filter((one) => !one.ok && one.refusals[0]?.status === 412).length).toBe(7);
  const all = await Promise.all(eight.map((n) => patch({ type: "Observation", id: "g" }, add(n))));
  expect(all.every((one) => one.ok)).toBe(true);
  expect((JSON.parse(await bodyOf("g")) as { identifier: unknown[] }).identifier.length).toBe(10);
});

// https://hl7.org/fhir/R4/http.html#patch, conditional patch: "No matches: 404", "One Match: … performs the update",
// "Multiple matches: … 412 Precondition Failed".
test("a conditional patch acts on the one resource that answers, and on none where several do", async () => {
  const identifier = (value: string) => [{ system: "http://example.org/one", value }];
  for (const [id, value] of [
    ["w1", "1"],
    ["w2", "2"],
    ["w3", "2"],
  ] as const) {
    await put(service, { resourceType: "Patient", id, identifier: identifier(value) } as never);
  }
  const text = '[{"op":"add","path":"/active","value":true}]';
  const where = (criteria: string, ifVersion?: number) =>
    patchWhere(
      { ...service.service, limits: defaultLimits },
      service.tenantId,
      { type: "Patient", criteria, ...(ifVersion === undefined ? {} : { ifVersion }) },
      jsonPatch,
      text,
    );
  expect(await where("identifier=http://example.org/one|1", 9)).toMatchObject({ refusals: [{ status: 412 }] });
  const one = await where("identifier=http://example.org/one|1");
  expect(one).toMatchObject({ ok: true, value: { created: false, stored: { id: "w1", version: 2 } } });
  expect(await where("identifier=http://example.org/one|2")).toMatchObject({ refusals: [{ status: 412 }] });
  expect(await where("identifier=http://example.org/one|3")).toMatchObject({ refusals: [{ status: 404 }] });
});

test("the write of a patch is made without storing it", async () => {
  await put(service, { resourceType: "Patient", id: "p" });
  const current: StoredResource = {
    type: "Patient",
    id: "p",
    version: 1,
    lastUpdatedMs: 0,
    deleted: false,
    body: '{"resourceType":"Patient","id":"p"}',
  };
  const text = '[{"op":"add","path":"/active","value":true}]';
  expect(patchedWrite(service.service, current, jsonPatch, text)).toMatchObject({
    ok: true,
    value: { type: "Patient", id: "p", resource: { active: true } },
  });
  const deleted = patchedWrite(service.service, { ...current, deleted: true }, jsonPatch, text);
  expect(deleted).toMatchObject({ refusals: [{ status: 410 }] });
  const found = await read(service.service, service.tenantId, "Patient", "p");
  expect(found.ok && found.value.version).toBe(1);
});
