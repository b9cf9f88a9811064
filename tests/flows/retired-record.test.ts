import type { Condition, Patient } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { commitOne } from "../../src/flows/commit-writes.ts";
import { transact } from "../../src/flows/transact.ts";
import { createResource, updateResource } from "../../src/flows/write-resource.ts";
import { inTenant } from "../../src/store/database.ts";
import { lockResources } from "../../src/store/resource.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;
beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
});
afterAll(() => here.close());

const patient = (id: string, into?: string): Patient & { id: string } => ({
  resourceType: "Patient",
  id,
  active: into === undefined,
  ...(into === undefined ? {} : { link: [{ type: "replaced-by", other: { reference: `Patient/${into}` } }] }),
});
const condition = (id: string, of: string, text = "Cold"): Condition & { id: string } => ({
  resourceType: "Condition",
  id,
  subject: { reference: `Patient/${of}` },
  code: { text },
});
const create = (resource: Condition) =>
  createResource(here.service, here.tenantId, resource.resourceType, JSON.stringify(resource));
const update = (resource: Condition & { id: string }) =>
  updateResource(here.service, here.tenantId, { type: "Condition", id: resource.id }, JSON.stringify(resource));

/** Two records: `kept`, and `gone`, which has a Condition of its own and was merged into the other by hand afterwards. */
async function merged(name: string): Promise<{ kept: string; gone: string; own: string; moved: string }> {
  const names = { kept: `${name}-kept`, gone: `${name}-gone`, own: `${name}-own`, moved: `${name}-moved` };
  await put(here, patient(names.kept), patient(names.gone));
  await put(here, condition(names.own, names.gone), condition(names.moved, names.kept));
  await put(here, patient(names.gone, names.kept));
  return names;
}

function refusal(of: string, into: string) {
  const detail = `Patient/${of} was merged into Patient/${into}. Send it for Patient/${into}.`;
  return { ok: false, refusals: [{ kind: "business-rule", detail, at: "Condition.subject.reference", status: 422 }] };
}

test("what is new about a person whose record was merged is refused, and the answer names the record that goes on", async () => {
  const { kept, gone, moved } = await merged("a");
  expect(await create(condition("x", gone))).toEqual(refusal(gone, kept));
  expect(await update(condition("a-fresh", gone))).toEqual(refusal(gone, kept));
  expect(await update(condition(moved, gone))).toEqual(refusal(gone, kept));
  expect((await create(condition("x", kept))).ok).toBe(true);
});

test("what stands with the retired record may be changed there, and moved to the other", async () => {
  const { kept, gone, own } = await merged("b");
  expect((await update(condition(own, gone, "Cold, over"))).ok).toBe(true);
  expect((await update(condition(own, kept))).ok).toBe(true);
  expect(await update(condition(own, gone))).toEqual(refusal(gone, kept));
});

test("a merge is taken back together with what belongs to the person again", async () => {
  const { gone, moved } = await merged("c");
  const entry = [patient(gone), condition(moved, gone)].map((resource) => ({
    resource,
    request: { method: "PUT", url: `${resource.resourceType}/${resource.id}` },
  }));
  const bundle = { resourceType: "Bundle", type: "transaction", entry };
  const options = {
    baseUrl: "https://here.example/fhir",
    prefer: "minimal",
    handling: "strict",
    cursorAt: () => "",
  } as const;
  const answer = await transact(here.service, here.tenantId, { value: bundle, exact: bundle }, options);
  expect(answer).toMatchObject({ ok: true });
  expect((await create(condition("x", gone))).ok).toBe(true);
});

test("who comes while a merge is on its way waits for it, and is told", async () => {
  await put(here, patient("d-kept"), patient("d-gone"));
  const { sent } = await inTenant(here.database, here.tenantId, async (session) => {
    const [current] = await lockResources(session, ["Patient/d-gone"]);
    const coming = create(condition("x", "d-gone"));
    await new Promise((resolve) => setTimeout(resolve, 200));
    const resource = patient("d-gone", "d-kept");
    await commitOne(here.service, session, { type: "Patient", id: resource.id, resource }, current);
    return { sent: coming };
  });
  expect(await sent).toEqual(refusal("d-gone", "d-kept"));
});
