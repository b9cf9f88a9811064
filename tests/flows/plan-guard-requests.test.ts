import { afterEach, beforeEach, describe, expect, test } from "vitest";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeEach(async () => {
  here = await testService("2026-03-10T12:00:00Z");
  await put(here, patientResource({ id: "anna", family: "Amber", given: "Anna" }));
});

afterEach(() => here.close());

/** A plan of two sessions a day and its one request. */
function planFrom(id: string, start: string) {
  const { plan, requests } = planResources({
    id,
    patientId: "anna",
    status: "active",
    start,
    profiles: [{ profileId: `profile-${id}`, role: "usual", schedule: { kind: "count", timesPerDay: 2 } }],
  });
  const [request] = requests;
  if (request === undefined) throw new Error("a plan without a request");
  return { plan, request };
}

describe("a plan whose only request is a draft", () => {
  const draft = async (id: string, start = "2026-01-01") => {
    const { request, plan } = planFrom(id, start);
    await put(here, { ...request, status: "draft" } as never, plan);
    return request;
  };
  const activate = async (request: { id: string }) => {
    const place = { type: "DeviceRequest", id: request.id };
    const written = await updateResource(here.service, here.tenantId, place, JSON.stringify(request));
    return written.ok ? [] : written.refusals.map((one) => one.detail);
  };

  test("is no rival yet; making the request active is refused while another plan holds", async () => {
    const { request: running, plan } = planFrom("one", "2026-01-01");
    await put(here, running, plan);
    const request = await draft("two", "2026-02-01");
    const [detail] = await activate(request);
    expect(detail).toContain("CarePlan/two");
    expect(detail).toContain("overlaps CarePlan/one");
  });

  test("asks from the moment on which the request is active, and is refused while a contraindication forbids it", async () => {
    const request = await draft("one");
    await put(here, contraindicationFlag({ id: "flag", patientId: "anna", code: "pneumothorax", start: "2026-03-01" }));
    expect((await activate(request))[0]).toContain("(Flag/flag) is in force");
  });

  test("comes into force by its request where nothing stands against it", async () => {
    expect(await activate(await draft("one"))).toEqual([]);
  });
});
