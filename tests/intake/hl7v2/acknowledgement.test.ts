import { expect, test } from "vitest";
import { acknowledgementText, wantedAcknowledgements } from "../../../src/intake/hl7v2/acknowledgement.ts";
import { readHeader } from "../../../src/intake/hl7v2/message.ts";

const wanted = (accept: string, application: string, outcome: "taken" | "error" | "rejected", atTheDoor: boolean) => {
  const header = { acceptAcknowledgement: accept, applicationAcknowledgement: application };
  const { accept: first = "", application: second = "" } = wantedAcknowledgements(header, outcome, atTheDoor);
  return `${first} ${second}`.trim();
};

// HL7 v2.5.1, 2.9.2 and 2.9.3, with the conditions of table 0155: AL always, NE never, ER on error, SU on success.
test.each([
  ["original mode, taken", "", "", "taken", false, "AA"],
  ["original mode, error", "", "", "error", false, "AE"],
  ["original mode, rejected at the door", "", "", "rejected", true, "AR"],
  ["enhanced, both, taken", "AL", "AL", "taken", false, "CA AA"],
  ["enhanced, both, error in the application", "AL", "AL", "error", false, "CA AE"],
  ["enhanced, both, error at the door", "AL", "AL", "error", true, "CE"],
  ["enhanced, accept alone", "AL", "NE", "error", false, "CA"],
  ["enhanced, accept on error alone, which there is none", "ER", "AL", "taken", false, "AA"],
  ["enhanced, accept on error alone, rejected", "ER", "NE", "rejected", true, "CR"],
  ["enhanced, application on success alone, error", "NE", "SU", "error", false, ""],
  ["enhanced, application alone, rejected at the door", "NE", "AL", "rejected", true, "AR"],
  ["enhanced, nothing", "NE", "NE", "taken", false, ""],
] as const)("%s", (_what, accept, application, outcome, atTheDoor, codes) => {
  expect(wanted(accept, application, outcome, atTheDoor)).toBe(codes);
});

test("the receiver answers as the sender, with the control id, and says where and why", () => {
  const header = readHeader(Buffer.from("MSH|^~\\&|PAS|MOOR|T|H|20260610||ADT^A28|A\\F\\1|P|2.4||||||8859/1"));
  if (!header.ok) throw new Error();
  const text = acknowledgementText(header.value, {
    code: "AE",
    controlId: "x1",
    sentAt: "20260610120000+0000",
    refusals: [{ kind: "required", detail: "Say A|B & C", at: "PID-3[2]" }],
    expectedSequenceNumber: 5,
  });
  expect(text.split("\r")).toEqual([
    "MSH|^~\\&|T|H|PAS|MOOR|20260610120000+0000||ACK^A28^ACK|x1|P|2.4||||||8859/1",
    "MSA|AE|A\\F\\1||5",
    "ERR||PID^1^3^2|101^Required field missing^HL70357|E||||Say A\\F\\B \\T\\ C",
    "",
  ]);
});
