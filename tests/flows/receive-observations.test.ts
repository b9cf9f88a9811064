import type { Observation, Task } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { replayMessage } from "../../src/flows/messages.ts";
import { eui64System } from "../../src/flows/receive-observations.ts";
import { reviewUnmatched } from "../../src/flows/review-unmatched.ts";
import { answered, message, messenger, mrn, msh, pid, testSettings } from "../support/messages.ts";
import { put, type TestService, testService } from "../support/service.ts";

let made: TestService;
let post: ReturnType<typeof messenger>;
const eui = "0012FF00A1B2C3D4";

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  post = messenger(made);
  await put(
    made,
    { resourceType: "Patient", id: "ada", identifier: [{ system: "urn:example:northmoor", value: "1" }] } as never,
    { resourceType: "Patient", id: "bea", identifier: [{ system: "urn:example:northmoor", value: "2" }] } as never,
    { resourceType: "Device", id: "meter", identifier: [{ system: eui64System, value: eui }] } as never,
    {
      resourceType: "DeviceUseStatement",
      id: "use",
      status: "active",
      subject: { reference: "Patient/ada" },
      device: { reference: "Device/meter" },
      timingPeriod: { start: "2026-06-01" },
    } as never,
  );
});
afterAll(() => made.close());

// The form of IHE's device profile (HL7 v2.6, MDC codes, a device part in OBX-4, EUI-64 in OBX-18); the values are invented.
const device = `${eui}^^${eui}^EUI-64`;
const obx = (fields: Readonly<Record<number, string>>) => {
  const parts = [
    "OBX",
    "1",
    "NM",
    "150456^MDC_PULS_OXIM_SAT_O2^MDC",
    "1.1.1.150456",
    "97",
    "262688^MDC_DIM_PERCENT^MDC",
  ];
  parts[11] = "F";
  for (const [field, text] of Object.entries(fields)) parts[Number(field)] = text;
  return Array.from(parts, (one) => one ?? "").join("|");
};
const structure = `OBX|1||69965^MDC_DEV_MON_PHYSIO_MULTI_PARAM_MDS^MDC|1.0.0.0|||||||X|||||||${device}`;
const oru = (id: string, ...segments: readonly string[]) =>
  message(
    msh("ORU^R01^ORU_R01", id, "20260610100000+0000", { 12: "2.6" }),
    "OBR|1|||182777000^monitoring of patient^SCT|||20260610095500+0000",
    ...segments,
  );
const measured = () => post.all<Observation>("Observation");

describe("a device's message", () => {
  test("becomes an Observation of whoever had the device, codes and units as received", async () => {
    const report = await post.send(oru("O-1", structure, obx({ 14: "20260610095959.500+0000", 8: "L" })));
    expect(answered(report.answers.application).code).toBe("AA");
    const [one] = await measured();
    expect(one).toMatchObject({
      status: "final",
      code: { coding: [{ system: "urn:iso:std:iso:11073:10101", code: "150456", display: "MDC_PULS_OXIM_SAT_O2" }] },
      subject: { reference: "Patient/ada" },
      device: { reference: "Device/meter" },
      effectiveDateTime: "2026-06-10T09:59:59.500+00:00",
      valueQuantity: { value: 97, unit: "MDC_DIM_PERCENT", system: "urn:iso:std:iso:11073:10101", code: "262688" },
      interpretation: [{ coding: [{ code: "L" }] }],
    });
  });

  test("corrects the measurement that it told before, and takes it back", async () => {
    const at = { 14: "20260610080000+0000", 18: device };
    await post.send(oru("O-2", obx({ ...at, 5: "90" })));
    await post.send(oru("O-3", obx({ ...at, 5: "93", 11: "C" })));
    const corrected = (await measured()).filter(
      ({ effectiveDateTime }) => effectiveDateTime === "2026-06-10T08:00:00+00:00",
    );
    expect(corrected).toMatchObject([{ status: "corrected", valueQuantity: { value: 93 }, meta: { versionId: "2" } }]);
    await post.send(oru("O-4", obx({ ...at, 5: "93", 11: "W" })));
    expect((await measured()).find(({ id }) => id === corrected[0]?.id)?.status).toBe("entered-in-error");
  });

  test("whose result nobody has verified is left out, unless the place says otherwise", async () => {
    const raw = (id: string) => oru(id, obx({ 11: "R", 14: "20260610070000+0000", 18: device }));
    const report = await post.send(raw("O-5"));
    expect([report.status, report.notes.length]).toEqual(["accepted", 1]);
    const open = messenger(made, { ...testSettings, results: { unverified: "preliminary" } });
    await open.send(raw("O-6"));
    const found = (await measured()).filter(
      ({ effectiveDateTime }) => effectiveDateTime === "2026-06-10T07:00:00+00:00",
    );
    expect(found.map(({ status }) => status)).toEqual(["preliminary"]);
  });

  test("takes its time from the order where an OBX has none, and marks tests as such", async () => {
    await post.send(oru("O-7", obx({ 8: "TEST", 18: device })));
    const found = (await measured()).find(({ effectiveDateTime }) => effectiveDateTime === "2026-06-10T09:55:00+00:00");
    expect(found?.meta?.security?.[0]?.code).toBe("HTEST");
  });

  test("of a time in which nobody had it waits, and a Task says so until the use is recorded and it is replayed", async () => {
    const report = await post.send(oru("O-8", obx({ 14: "20260501100000+0000", 18: device })));
    expect(report).toMatchObject({ status: "refused", reason: "device-with-nobody" });
    await reviewUnmatched(made.service, made.tenantId, `${eui64System}|${eui}`);
    const tasks = await post.all<{ description?: string; code?: { coding?: { code?: string }[] } }>("Task");
    expect(tasks.map(({ code }) => code?.coding?.[0]?.code)).toEqual(["unmatched-record"]);
    await put(made, {
      resourceType: "DeviceUseStatement",
      id: "earlier",
      status: "completed",
      subject: { reference: "Patient/bea" },
      device: { reference: "Device/meter" },
      timingPeriod: { start: "2026-04-01", end: "2026-05-20" },
    } as never);
    const again = await replayMessage(made.service, made.tenantId, testSettings, report.messageId);
    expect(again).toMatchObject({ ok: true, value: { status: "accepted", patientIds: ["bea"] } });
    await reviewUnmatched(made.service, made.tenantId, `${eui64System}|${eui}`);
    expect((await post.all<Task>("Task")).map(({ status }) => status)).toEqual(["completed"]);
  });

  test("of a device that is not registered waits", async () => {
    const report = await post.send(oru("O-9", obx({ 14: "20260610100000+0000", 18: "FFFFFFFFFFFFFFFF^^^EUI-64" })));
    expect(report).toMatchObject({ status: "refused", reason: "unknown-device" });
  });

  test("that names another person than the one who had the device is refused", async () => {
    const report = await post.send(
      oru("O-10", obx({ 14: "20260610093000+0000", 18: device })).replace("OBR|", `${pid({ 3: mrn("2") })}\rOBR|`),
    );
    expect(report).toMatchObject({ status: "refused", reason: "identity-doubtful" });
  });

  test.each([
    ["a value that is no number", obx({ 5: "97 percent", 18: device }), "OBX-2"],
    ["no device", obx({}), "OBX-18"],
    ["a time of the future", obx({ 14: "20270101100000+0000", 18: device }), "future"],
    ["no value at all", structure, "no OBX"],
  ])("with %s is refused", async (what, segment, why) => {
    const report = await post.send(oru(`O-${what}`, segment));
    expect(report.status).toBe("refused");
    expect(report.refusals.map(({ detail }) => detail).join()).toContain(why);
  });
});
