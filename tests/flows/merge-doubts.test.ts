import type { Patient, Task } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { adt, messenger, mrn, pid, record } from "../support/messages.ts";
import { put, type TestService, testService } from "../support/service.ts";

let made: TestService;
let post: ReturnType<typeof messenger>;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  post = messenger(made);
});
afterAll(() => made.close());

const clinic = "https://tidegate.example/fhir/sid/hl7v2-authority/CLINIC";
const ada = { 5: "Harker^Ada", 7: "19710304" };
const bea = { 5: "Sorrel^Bea", 7: "19880808" };
const openTasks = async (id: string) =>
  (await post.all<Task>("Task"))
    .filter(({ status }) => status === "requested")
    .map(({ description = "" }) => description)
    .filter((text) => text.includes(`Patient/${id} `));
const nameOf = async (id: string) => (await post.read<Patient>(`Patient/${id}`))?.name?.[0]?.family;

describe("a change of number", () => {
  test("whose old number is only claimed changes nobody's record into another person's", async () => {
    await put(made, record("claimed", "1", { identifier: [{ system: clinic, value: "1" }] }));
    for (const event of ["A40", "A47"]) {
      const text = adt(event, `D-1${event}`, "20260610100000", pid({ 3: "2^^^CLINIC", ...bea }), "MRG|1^^^CLINIC");
      expect(await post.send(text)).toMatchObject({ status: "refused", reason: "identity-doubtful" });
    }
    expect(await nameOf("claimed")).toBe("Harker");
    const same = adt("A47", "D-2", "20260610100000", pid({ 3: "2^^^CLINIC", ...ada }), "MRG|1^^^CLINIC");
    expect((await post.send(same)).status).toBe("accepted");
  });

  test("whose old number is trusted, with another name and birth date, waits too", async () => {
    await put(made, record("trusted", "10"));
    const text = adt("A47", "D-3", "20260610100000", pid({ 3: mrn("11"), ...bea }), `MRG|${mrn("10")}`);
    expect(await post.send(text)).toMatchObject({ status: "refused", reason: "identity-doubtful" });
    expect(await nameOf("trusted")).toBe("Harker");
  });

  test("that comes after a newer event gives the record its number all the same", async () => {
    await put(made, record("late", "20"));
    await post.send(adt("A31", "D-4", "20260610103000", pid({ 3: mrn("20"), ...ada, 16: "M" })));
    await post.send(adt("A47", "D-5", "20260610100000", pid({ 3: mrn("21"), ...ada, 16: "S" }), `MRG|${mrn("20")}`));
    const late = await post.read<Patient>("Patient/late");
    expect(late?.identifier).toMatchObject([{ value: "20", use: "old" }, { value: "21" }]);
    expect(late?.maritalStatus?.coding?.[0]?.code).toBe("M");
  });

  test("between two records that are both here merges nothing, and a Task asks a person to look", async () => {
    await put(made, record("first", "30"), record("second", "31"));
    const text = adt("A47", "D-6", "20260610100000", pid({ 3: mrn("30"), ...ada }), `MRG|${mrn("31")}`);
    expect(await post.send(text)).toMatchObject({ status: "refused", reason: "identity-doubtful" });
    expect((await post.read<Patient>("Patient/second"))?.active).toBe(true);
    expect(await openTasks("second")).toHaveLength(1);
  });
});

describe("a merge", () => {
  test("of two whom a person has called two people is not done, and asks again", async () => {
    const link = (id: string) => [{ type: "seealso" as const, other: { reference: `Patient/${id}` } }];
    await put(made, record("ben", "40"), record("bill", "41", { link: link("ben") }));
    const text = adt("A40", "D-7", "20260610100000", pid({ 3: mrn("40"), ...ada }), `MRG|${mrn("41")}`);
    expect(await post.send(text)).toMatchObject({ status: "refused", reason: "identity-doubtful" });
    expect((await post.read<Patient>("Patient/bill"))?.active).toBe(true);
    expect(await openTasks("bill")).toHaveLength(1);
    await put(made, record("bill", "41"));
    expect((await post.send(text)).status).toBe("accepted");
    expect(await openTasks("bill")).toEqual([]);
  });

  test("of two who contradict is done by trusted numbers, and a Task asks whether that was right", async () => {
    await put(made, record("known", "50"), record("unnamed", "51", { name: [{ text: "Unknown" }] }));
    await put(
      made,
      record("stranger", "52", { name: [{ family: "Sorrel", given: ["Bea"] }], birthDate: "1988-08-08" }),
    );
    const merge = (id: string, gone: string) =>
      adt("A40", id, "20260610100000", pid({ 3: mrn("50"), ...ada }), `MRG|${mrn(gone)}`);
    expect((await post.send(merge("D-8", "51"))).status).toBe("accepted");
    expect(await openTasks("known")).toEqual([]);
    expect((await post.send(merge("D-9", "52"))).status).toBe("accepted");
    expect((await post.read<Patient>("Patient/stranger"))?.active).toBe(false);
    expect(await openTasks("known")).toEqual([expect.stringContaining("were made one")]);
  });
});
