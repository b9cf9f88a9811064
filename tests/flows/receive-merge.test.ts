import type { DeviceUseStatement, Encounter, Flag, Patient, Provenance, Task } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { readInTenant } from "../../src/store/database.ts";
import { adt, answered, messenger, mrn, pid, record, system } from "../support/messages.ts";
import { put, type TestService, testService } from "../support/service.ts";

let made: TestService;
let post: ReturnType<typeof messenger>;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  post = messenger(made);
});
afterAll(() => made.close());

const person = (number: string, more: Readonly<Record<number, string>> = {}) =>
  pid({ 3: mrn(number), 5: "Harker^Ada", 7: "19710304", ...more });
const merge = (id: string, kept: string, gone: string, event = "A40") =>
  adt(event, id, "20260610100000", person(kept), `MRG|${mrn(gone)}`);
const openTasks = async () =>
  (await post.all<Task>("Task"))
    .filter(({ status }) => status === "requested")
    .map(({ description = "" }) => description);

describe("a merge", () => {
  test("makes one record of two, re-points what belongs to the retired one, and keeps its history", async () => {
    await put(
      made,
      record("keep", "1"),
      record("gone", "2", {
        meta: {
          security: [{ system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", code: "R" }],
        },
      }),
      { resourceType: "Device", id: "machine" } as never,
      {
        resourceType: "DeviceUseStatement",
        id: "use",
        status: "active",
        subject: { reference: "Patient/gone" },
        device: { reference: "Device/machine" },
        timingPeriod: { start: "2026-01-01" },
      } as never,
      {
        resourceType: "Flag",
        id: "flag",
        status: "active",
        code: { text: "A flag" },
        subject: { reference: "Patient/gone" },
      } as never,
    );
    await put(made, {
      resourceType: "Consent",
      id: "denial",
      status: "active",
      scope: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/consentscope", code: "patient-privacy" }] },
      category: [{ text: "Sharing" }],
      patient: { reference: "Patient/gone" },
      policyRule: { text: "opt-out" },
      provision: { type: "deny" },
    } as never);
    const report = await post.send(merge("G-1", "1", "2"));
    expect(answered(report.answers.application).code).toBe("AA");
    const keep = await post.read<Patient>("Patient/keep");
    expect(keep).toMatchObject({
      active: true,
      link: [{ type: "replaces", other: { reference: "Patient/gone" } }],
      identifier: [
        { system, value: "1" },
        { system, value: "2", use: "old" },
      ],
    });
    // What was withheld of one record stays withheld of the whole.
    expect(keep?.meta?.security?.[0]?.code).toBe("R");
    expect(await post.read<Patient>("Patient/gone")).toMatchObject({
      active: false,
      link: [{ type: "replaced-by", other: { reference: "Patient/keep" } }],
    });
    expect((await post.read<DeviceUseStatement>("DeviceUseStatement/use"))?.subject?.reference).toBe("Patient/keep");
    expect(await post.read<Flag>("Flag/flag")).toMatchObject({
      subject: { reference: "Patient/keep" },
      meta: { versionId: "2" },
    });
    // What was denied for one record is denied for the whole.
    const denials = await readInTenant(made.database, made.tenantId, (session) =>
      session.query("select consent_id, patient_id from consent_denial where tenant_id = $1", [session.tenantId]),
    );
    expect(denials).toEqual([{ consent_id: "denial", patient_id: "keep" }]);
    const [provenance] = await post.all<Provenance>("Provenance");
    expect(provenance?.target.map(({ reference }) => reference).sort()).toEqual([
      "Consent/denial",
      "DeviceUseStatement/use",
      "Flag/flag",
      "Patient/gone",
      "Patient/keep",
    ]);
  });

  test("sent again changes nothing", async () => {
    const before = (await post.read<Patient>("Patient/keep"))?.meta?.versionId;
    await post.send(merge("G-1", "1", "2"));
    expect((await post.read<Patient>("Patient/keep"))?.meta?.versionId).toBe(before);
  });

  test("is followed by messages under the old number: they reach the record that goes on", async () => {
    await post.send(adt("A31", "G-2", "20260610110000", person("2", { 16: "M" })));
    expect((await post.read<Patient>("Patient/keep"))?.maritalStatus?.coding?.[0]?.code).toBe("M");
  });

  test("of a number that nobody here carries leaves it as a former one", async () => {
    await put(made, record("alone", "3"));
    await post.send(merge("G-3", "3", "4"));
    expect((await post.read<Patient>("Patient/alone"))?.identifier).toMatchObject([
      { value: "3" },
      { value: "4", use: "old" },
    ]);
  });

  test("whose old number alone is known gives its record the new one", async () => {
    await put(made, record("renamed", "5"));
    await post.send(merge("G-4", "6", "5", "A47"));
    expect((await post.read<Patient>("Patient/renamed"))?.identifier).toMatchObject([
      { value: "5", use: "old" },
      { value: "6" },
    ]);
  });

  test("of two who contradict, under numbers that are only claimed, waits for a person", async () => {
    const claimed = (value: string) => ({ system: "https://tidegate.example/fhir/sid/hl7v2-authority/CLINIC", value });
    await put(
      made,
      record("one", "7", { identifier: [claimed("7")] }),
      record("other", "8", {
        identifier: [claimed("8")],
        name: [{ family: "Sorrel", given: ["Bea"] }],
        birthDate: "1988-08-08",
      }),
    );
    const text = adt(
      "A40",
      "G-5",
      "20260610100000",
      pid({ 3: "7^^^CLINIC", 5: "Harker^Ada", 7: "19710304" }),
      "MRG|8^^^CLINIC",
    );
    const report = await post.send(text);
    expect(report).toMatchObject({ status: "refused", reason: "identity-doubtful" });
    expect((await post.read<Patient>("Patient/other"))?.active).toBe(true);
    expect((await openTasks()).join()).toContain("Patient/one and Patient/other may be one person");
  });

  test("without MRG is refused", async () => {
    const report = await post.send(adt("A40", "G-6", "20260610100000", person("1")));
    expect(report.refusals[0]?.at).toBe("MRG");
  });
});

describe("a record that is like another", () => {
  test("is made all the same, and a Task asks a person to look; a merge closes it", async () => {
    await put(made, record("twin", "20", { name: [{ family: "Wren", given: ["Clara"] }], birthDate: "1990-02-03" }));
    await post.send(adt("A28", "G-10", "20260610100000", pid({ 3: mrn("21"), 5: "Wren^Clara", 7: "19900203" })));
    expect((await openTasks()).filter((text) => text.includes("Patient/twin"))).toHaveLength(1);
    await post.send(
      adt("A40", "G-11", "20260610101000", pid({ 3: mrn("20"), 5: "Wren^Clara", 7: "19900203" }), `MRG|${mrn("21")}`),
    );
    expect((await openTasks()).filter((text) => text.includes("Patient/twin"))).toEqual([]);
  });

  test("a person under the same trusted number with another name and birth date is refused", async () => {
    await put(made, record("strict", "30"));
    const report = await post.send(
      adt("A31", "G-12", "20260610100000", pid({ 3: mrn("30"), 5: "Sorrel^Bea", 7: "19880808" })),
    );
    expect(report).toMatchObject({ status: "refused", reason: "identity-doubtful" });
    expect((await post.read<Patient>("Patient/strict"))?.name?.[0]?.family).toBe("Harker");
  });

  test("an equal hospital number beside another national number is believed only where all else agrees", async () => {
    const national = (value: string) => ({ system: "https://fhir.nhs.uk/Id/nhs-number", value });
    await put(made, record("two", "31", { identifier: [{ system, value: "31" }, national("9434765919")] }));
    const both = { 3: `${mrn("31")}~4010232137^^^NHS^NH` };
    const married = await post.send(
      adt("A31", "G-16", "20260610100000", pid({ ...both, 5: "Sorrel^Ada", 7: "19710304" })),
    );
    expect(married.reason).toBe("identity-doubtful");
    const same = await post.send(
      adt("A31", "G-17", "20260610100000", pid({ ...both, 5: "Harker^Ada", 7: "19710304" })),
    );
    expect(same.status).toBe("accepted");
  });

  test("a number of an unknown authority is believed where names and birth date agree, and not otherwise", async () => {
    const clinic = (id: string, fields: Readonly<Record<number, string>>) =>
      adt("A31", id, "20260610100000", pid({ 3: "77^^^CLINIC", ...fields }));
    await post.send(clinic("G-13", { 5: "Plover^Dora", 7: "19600101" }));
    const again = await post.send(clinic("G-14", { 5: "Plover^Dora", 7: "19600101", 16: "W" }));
    expect(again.status).toBe("accepted");
    const other = await post.send(clinic("G-15", { 5: "Plover^Dora", 7: "19700101" }));
    expect(other.reason).toBe("identity-doubtful");
    const plovers = (await post.all<Patient>("Patient")).filter((one) => one.name?.[0]?.family === "Plover");
    expect(plovers.map(({ maritalStatus }) => maritalStatus?.coding?.[0]?.code)).toEqual(["W"]);
  });

  test("two messages about the same new person at once make one record", async () => {
    await Promise.all(
      ["G-20", "G-21", "G-22"].map((id) =>
        post.send(adt("A28", id, "20260610100000", pid({ 3: mrn("40"), 5: "Teal^Eve" }))),
      ),
    );
    const teals = (await post.all<Patient>("Patient")).filter((one) => one.name?.[0]?.family === "Teal");
    expect(teals).toHaveLength(1);
  });
});

describe("a moved visit", () => {
  test("belongs to the other person from then on", async () => {
    await put(made, record("from", "50"), record("to", "51"));
    const pv1 = `PV1|1|I|||||||||||||||||V9^^^NORTHMOOR^VN|||||||||||||||||||||||||202606010830+0100`;
    await post.send(adt("A01", "G-30", "20260601090000+0100", person("50"), pv1));
    await post.send(adt("A45", "G-31", "20260610100000", person("51"), `MRG|${mrn("50")}||||V9^^^NORTHMOOR^VN`));
    const owner = async () => (await post.all<Encounter>("Encounter"))[0]?.subject?.reference;
    expect(await owner()).toBe("Patient/to");
    // Said of a person who does not have it: perhaps an older move that was slower.
    const late = adt("A45", "G-32", "20260610095000", person("5"), `MRG|${mrn("50")}||||V9^^^NORTHMOOR^VN`);
    expect(await post.send(late)).toMatchObject({ status: "refused", reason: "identity-doubtful" });
    expect(await owner()).toBe("Patient/to");
  });
});
