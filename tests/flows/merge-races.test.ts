import type { Patient } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { replacementOf } from "../../src/fhir/patient-match.ts";
import { inTenant } from "../../src/store/database.ts";
import { lockText, lockTextShared, mergingLock } from "../../src/store/lock.ts";
import { personWithMachine } from "../support/half-user.ts";
import { adt, messenger, mrn, pid } from "../support/messages.ts";
import { type TestService, testService } from "../support/service.ts";
import { upload, useRecord } from "./person-with-circuit.ts";

let made: TestService;
beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
});
afterAll(() => made.close());

const person = (number: string) => pid({ 3: mrn(number), 5: "Locke^Lou", 7: "19660606" });

test("merges and changes of the same few people at once are all taken in, and leave each record either in force or retired", async () => {
  const { send, all } = messenger(made);
  const numbers = ["0", "1", "2", "3", "4", "5", "6", "7"];
  for (const number of numbers) await send(adt("A28", `R-${number}`, "20260610090000", person(number)));
  const merge = (kept: number, gone: number) => [person(String(kept % 8)), `MRG|${mrn(String(gone % 8))}`];
  const messages = Array.from({ length: 48 }, (_, i) => {
    const stay = `PV1|1|I|||||||||||||||||S${i % 8}^^^NORTHMOOR^VN`;
    if (i % 3 === 0) return adt("A40", `M-${i}`, "20260610100000", ...merge(i, i * 5 + 3), ...merge(i + 2, i * 3 + 1));
    if (i % 3 === 1) return adt("A31", `M-${i}`, "20260610100000", person(String(i % 8)));
    return adt("A01", `M-${i}`, "20260610100000", person(String((i * 5) % 8)), stay);
  });
  const reports = await Promise.all(messages.map((text) => send(text)));
  expect(reports.filter(({ status, reason }) => status === "refused" && reason !== "identity-doubtful")).toEqual([]);
  const patients = await all<Patient>("Patient");
  expect(patients).toHaveLength(numbers.length);
  const inForce = patients.filter((one) => replacementOf(one) === undefined);
  expect(inForce.every(({ active }) => active)).toBe(true);
  expect(inForce.length).toBeLessThan(numbers.length);
});

test("a merge waits for the changes that are on their way, and these for no other change: so nobody waits in a circle", async () => {
  const { send } = messenger(made);
  await send(adt("A28", "W-0", "20260610090000", person("90")));
  await send(adt("A28", "W-1", "20260610090000", person("91")));
  let merged = false;
  const merging = await inTenant(made.database, made.tenantId, async (session) => {
    await lockTextShared(session, mergingLock);
    const text = adt("A40", "W-3", "20260610100000", person("90"), `MRG|${mrn("91")}`);
    const changed = await send(adt("A31", "W-2", "20260610100000", person("90")));
    expect(changed.status).toBe("accepted");
    const sent = send(text).then((report) => {
      merged = true;
      return report;
    });
    await new Promise((resolve) => setTimeout(resolve, 300));
    expect(merged).toBe(false);
    return { sent };
  });
  expect((await merging.sent).status).toBe("accepted");
});

test("an upload waits for a merge, so that its sessions stand with whoever has the device then", async () => {
  await personWithMachine(made, "owner");
  let done = false;
  const sent = await inTenant(made.database, made.tenantId, async (session) => {
    await lockText(session, mergingLock);
    const answer = upload(made, useRecord(made, "owner", ["08:00"])).then(() => {
      done = true;
    });
    await new Promise((resolve) => setTimeout(resolve, 300));
    expect(done).toBe(false);
    return { answer };
  });
  await sent.answer;
  expect(done).toBe(true);
});
