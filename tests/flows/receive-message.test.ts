import type { Encounter, Patient } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { messages } from "../../src/flows/messages.ts";
import { adt, answered, message, messenger, mrn, msh, pid } from "../support/messages.ts";
import { type TestService, testService } from "../support/service.ts";

let made: TestService;
let post: ReturnType<typeof messenger>;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  post = messenger(made);
});
afterAll(() => made.close());

const ada = (number: string, more: Readonly<Record<number, string>> = {}) =>
  pid({ 3: mrn(number), 5: "Harker^Ada^Rose^^Ms^^L", 7: "19710304", 8: "F", ...more });

const only = async (number: string): Promise<Patient> => {
  const found = (await post.all<Patient>("Patient")).filter((one) =>
    one.identifier?.some(({ value }) => value === number),
  );
  expect(found).toHaveLength(1);
  return found[0] as Patient;
};

describe("an ADT message", () => {
  test("makes a person's record, and is acknowledged", async () => {
    const report = await post.send(
      adt(
        "A28",
        "A-1",
        "20260610100000",
        ada("1001", { 11: "1 Mill Lane^^Northmoor^^NM1 2AB^^H", 13: "0123 456^PRN^PH", 16: "M" }),
      ),
    );
    expect(report).toMatchObject({ status: "accepted", type: "ADT^A28", refusals: [] });
    expect(answered(report.answers.application)).toMatchObject({ code: "AA", controlId: "A-1" });
    expect(await only("1001")).toMatchObject({
      active: true,
      identifier: [{ system: "urn:example:northmoor", value: "1001" }],
      name: [{ use: "official", family: "Harker", given: ["Ada", "Rose"], prefix: ["Ms"] }],
      gender: "female",
      birthDate: "1971-03-04",
      address: [{ use: "home", line: ["1 Mill Lane"], city: "Northmoor", postalCode: "NM1 2AB" }],
      telecom: [{ system: "phone", value: "0123 456", use: "home" }],
    });
  });

  test("sent again under the same control id gets the same acknowledgement and changes nothing", async () => {
    const text = adt("A28", "A-2", "20260610100000", ada("1002"));
    const first = await post.send(text);
    const version = (await only("1002")).meta?.versionId;
    made.clock.at += 60_000;
    const second = await post.send(text);
    expect(second.answers).toEqual(first.answers);
    expect((await only("1002")).meta?.versionId).toBe(version);
  });

  test("with other content under a control id that was used is refused", async () => {
    await post.send(adt("A28", "A-3", "20260610100000", ada("1003")));
    const report = await post.send(adt("A28", "A-3", "20260610100000", ada("1004")));
    expect(report).toMatchObject({ status: "refused", reason: "control-id-used" });
    const again = await post.send(adt("A28", "A-3", "20260610100000", ada("1004")));
    expect(again).toMatchObject({ messageId: report.messageId, reason: "control-id-used" });
    const listed = await messages(made.service, made.tenantId, { state: "refused", count: 10 });
    expect(listed.map(({ messageId }) => messageId)).toContain(report.messageId);
    expect(answered(report.answers.application)).toMatchObject({ code: "AE" });
  });

  test("that is older than what was told last changes nothing", async () => {
    await post.send(adt("A31", "A-5", "20260610110000", ada("1005", { 5: "Newer^Ada" })));
    const late = await post.send(adt("A31", "A-6", "20260610090000", ada("1005", { 5: "Older^Ada" })));
    expect(late.status).toBe("accepted");
    expect(late.notes).toHaveLength(1);
    expect((await only("1005")).name?.[0]?.family).toBe("Newer");
  });

  test("leaves what it does not say and takes away what it says is to go", async () => {
    await post.send(adt("A28", "A-7", "20260610100000", ada("1006", { 13: "0123^PRN^PH", 16: "M" })));
    await post.send(adt("A31", "A-8", "20260610100100", ada("1006", { 13: '""' })));
    const patient = await only("1006");
    expect(patient.telecom).toBeUndefined();
    expect(patient.maritalStatus?.coding?.[0]?.code).toBe("M");
  });

  test("tells of a death, and takes it back", async () => {
    await post.send(adt("A28", "A-9", "20260610100000", ada("1007", { 29: "202606091530+0100", 30: "Y" })));
    expect((await only("1007")).deceasedDateTime).toBe("2026-06-09T15:30:00+01:00");
    await post.send(adt("A31", "A-10", "20260610100200", ada("1007", { 29: '""', 30: "N" })));
    expect((await only("1007")).deceasedDateTime).toBeUndefined();
  });
});

describe("a stay in hospital", () => {
  const pv1 = (number: string, more: Readonly<Record<number, string>> = {}) => {
    const parts = ["PV1", "1", "I"];
    for (const [field, text] of Object.entries({ 19: `${number}^^^NORTHMOOR^VN`, ...more }))
      parts[Number(field)] = text;
    return Array.from(parts, (one) => one ?? "").join("|");
  };
  const stay = async (number: string) =>
    (await post.all<Encounter>("Encounter")).find((one) => one.identifier?.some(({ value }) => value === number));

  test("begins with A01, ends with A03, and goes on again with A13", async () => {
    await post.send(adt("A01", "V-1", "20260601090000+0100", ada("2001"), pv1("V1", { 44: "202606010830+0100" })));
    expect(await stay("V1")).toMatchObject({
      status: "in-progress",
      class: { code: "IMP" },
      period: { start: "2026-06-01T08:30:00+01:00" },
    });
    await post.send(adt("A03", "V-2", "20260605120000+0100", ada("2001"), pv1("V1", { 45: "202606051130+0100" })));
    expect(await stay("V1")).toMatchObject({ status: "finished", period: { end: "2026-06-05T11:30:00+01:00" } });
    await post.send(adt("A13", "V-3", "20260605130000+0100", ada("2001"), pv1("V1", { 45: '""' })));
    const again = await stay("V1");
    expect(again?.status).toBe("in-progress");
    expect(again?.period?.end).toBeUndefined();
  });

  test("whose admission was cancelled takes no day", async () => {
    await post.send(adt("A01", "V-4", "20260601090000+0100", ada("2002"), pv1("V2")));
    await post.send(adt("A11", "V-5", "20260601093000+0100", ada("2002"), pv1("V2")));
    expect((await stay("V2"))?.status).toBe("cancelled");
    await post.send(adt("A08", "V-11", "20260602093000+0100", ada("2002"), pv1("V2")));
    expect((await stay("V2"))?.status).toBe("cancelled");
  });

  test("ends although an update came before its discharge", async () => {
    await post.send(adt("A01", "V-8", "20260601090000+0100", ada("2004"), pv1("V4")));
    await post.send(adt("A08", "V-9", "20260605130000+0100", ada("2004"), pv1("V4")));
    await post.send(adt("A03", "V-10", "20260605120000+0100", ada("2004"), pv1("V4")));
    expect(await stay("V4")).toMatchObject({ status: "finished", period: { end: "2026-06-05T12:00:00+01:00" } });
  });

  test("is told in the wrong order and ends all the same", async () => {
    await post.send(adt("A03", "V-6", "20260605120000+0100", ada("2003"), pv1("V3", { 45: "202606051130+0100" })));
    await post.send(adt("A01", "V-7", "20260601090000+0100", ada("2003"), pv1("V3", { 44: "202606010830+0100" })));
    expect(await stay("V3")).toMatchObject({
      status: "finished",
      period: { start: "2026-06-01T08:30:00+01:00", end: "2026-06-05T11:30:00+01:00" },
    });
  });
});

describe("a message that cannot be used", () => {
  test.each([
    ["of another type", message(msh("MDM^T02", "X-1", "20260610100000"), "EVN||20260610100000"), "AR", "MSH-9"],
    ["of training", adt("A28", "X-2", "20260610100000", ada("3001")).replace("|P|2.5.1", "|T|2.5.1"), "AR", "MSH-11"],
    [
      "in an unknown character set",
      message(msh("ADT^A28", "X-3", "20260610100000", { 18: "UNICODE UTF-16" }), ada("3002")),
      "AE",
      "character set",
    ],
    [
      "with a wrong check digit",
      adt("A28", "X-4", "20260610100000", pid({ 3: "4010232138^^^NHS^NH", 5: "A^B" })),
      "AE",
      "NHS number",
    ],
    ["without a number of the person", adt("A28", "X-5", "20260610100000", pid({ 5: "A^B" })), "AE", "PID-3"],
    ["from the future", adt("A28", "X-6", "20270610100000", ada("3003")), "AE", "future"],
  ])("%s says why", async (_what, text, code, why) => {
    const report = await post.send(text);
    const told = answered(report.answers.application);
    expect(told.code).toBe(code);
    expect(told.errors.join(" ")).toContain(why);
    expect(report.status).toBe("refused");
  });

  test("is answered in the enhanced mode as it asks for", async () => {
    const enhanced = (id: string, type: string, accept: string, application: string) =>
      message(msh(type, id, "20260610100000", { 15: accept, 16: application }), ada("3010"));
    const both = await post.send(enhanced("E-1", "ADT^A28", "AL", "AL"));
    expect([answered(both.answers.accept).code, answered(both.answers.application).code]).toEqual(["CA", "AA"]);
    const commit = await post.send(enhanced("E-2", "ADT^A28", "AL", "NE"));
    expect([answered(commit.answers.accept).code, commit.answers.application]).toEqual(["CA", undefined]);
    const rejected = await post.send(enhanced("E-3", "ADT^A99", "ER", "AL"));
    expect([answered(rejected.answers.accept).code, rejected.answers.application]).toEqual(["CR", undefined]);
    const quiet = await post.send(enhanced("E-4", "ADT^A28", "NE", "ER"));
    expect(quiet.answers).toEqual({});
  });
});

describe("the sequence number protocol", () => {
  const numbered = (id: string, sequence: string) =>
    message(msh("ADT^A28", id, "20260610100000", { 13: sequence }), pid({ 3: mrn("4001"), 5: "Harker^Ada" }));

  test("takes the next number, and tells what it expects otherwise", async () => {
    const client = "test.sequence";
    expect((await post.send(numbered("S-1", "7"), client)).status).toBe("accepted");
    expect((await post.send(numbered("S-2", "8"), client)).status).toBe("accepted");
    const gap = await post.send(numbered("S-4", "10"), client);
    expect(gap.status).toBe("refused");
    expect(gap.answers.application?.split("\r")[1]).toBe("MSA|AE|S-4||9");
    expect((await post.send(numbered("S-3", "9"), client)).status).toBe("accepted");
    expect((await post.send(numbered("S-4", "10"), client)).status).toBe("accepted");
    expect((await post.send(numbered("S-9", "-1"), client)).status).toBe("accepted");
    expect((await post.send(numbered("S-10", "55"), client)).status).toBe("accepted");
  });

  // HL7 v2.3, 2.25.3: "a message that has no functional content"; its type is not used.
  test("begins with a message without content, and says which number comes next", async () => {
    const client = "test.link";
    const start = (id: string) => post.send(message(msh("^", id, "20260610100000", { 13: "0" })), client);
    expect((await start("L-1")).answers.application?.split("\r")[1]).toBe("MSA|AA|L-1||-1");
    await post.send(numbered("L-2", "41"), client);
    expect((await start("L-3")).answers.application?.split("\r")[1]).toBe("MSA|AA|L-3||42");
    expect((await post.send(numbered("L-4", "42"), client)).status).toBe("accepted");
  });
});
