import type { Patient } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { adt, messenger, mrn, pid } from "../support/messages.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { personWithCircuit, tasksOf } from "./person-with-circuit.ts";

let made: TestService;
let post: ReturnType<typeof messenger>;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  post = messenger(made);
});
afterAll(() => made.close());

const told = (event: string, id: string, at: string, number: string, more: Readonly<Record<number, string>> = {}) =>
  post.send(adt(event, id, at, pid({ 3: mrn(number), 5: "Harker^Ada", 7: "19710304", ...more })));
const patient = (id: string) => post.read<Patient>(`Patient/${id}`);

describe("a death that a message tells of", () => {
  test("closes what was asked for the person; taken back, it is asked again", async () => {
    await personWithCircuit(made, "ada", "2026-04-01");
    const before = await patient("ada");
    const identifier = [{ system: "urn:example:northmoor", value: "1" }];
    await put(made, { ...before, identifier, name: [{ family: "Harker", given: ["Ada"] }] } as never);
    const open = async () => {
      await reviewPatient(made.service, made.tenantId, "ada");
      return (await tasksOf(made, "ada")).filter(({ status }) => status === "requested").length;
    };
    expect(await open()).toBeGreaterThan(0);
    const died = { 29: "20260609", 30: "Y" };
    expect((await told("A08", "T-1", "20260610100000", "1", died)).status).toBe("accepted");
    expect(await open()).toBe(0);
    await told("A08", "T-2", "20260610110000", "1", { 29: '""', 30: "N" });
    expect(await open()).toBeGreaterThan(0);
  });

  test("is taken from a message that was slower than a newer one which was silent about it", async () => {
    await told("A28", "T-3", "20260610100000", "2", { 16: "M" });
    const late = await told("A03", "T-4", "20260610090000", "2", { 16: "S", 29: "20260609", 30: "Y" });
    expect(late.notes.join()).toContain("nothing but the death");
    const [id = ""] = late.patientIds;
    expect(await patient(id)).toMatchObject({
      deceasedDateTime: "2026-06-09",
      maritalStatus: { coding: [{ code: "M" }] },
    });
  });

  test("and was taken back by a newer one is not told again by the older", async () => {
    await told("A28", "T-5", "20260610100000", "3", { 30: "N" });
    const late = await told("A08", "T-6", "20260610090000", "3", { 30: "Y" });
    expect((await patient(late.patientIds[0] ?? ""))?.deceasedBoolean).toBe(false);
  });

  test("stands in the record that goes on when the two are merged", async () => {
    await told("A28", "T-7", "20260610090000", "4", { 30: "Y" });
    const survivor = await told("A28", "T-8", "20260610090100", "5");
    const person = pid({ 3: mrn("5"), 5: "Harker^Ada", 7: "19710304" });
    await post.send(adt("A40", "T-9", "20260610100000", person, `MRG|${mrn("4")}`));
    expect((await patient(survivor.patientIds[0] ?? ""))?.deceasedBoolean).toBe(true);
  });
});
