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
  const header = readHeader(Buffer.from("MSH|^~\\&|PAS|MOOR|T|H|20260610||ADT^A28|A\\F\\1|P|2.5.1||||||8859/1"));
  if (!header.ok) throw new Error();
  const text = acknowledgementText(header.value, {
    code: "AE",
    controlId: "x1",
    sentAt: "20260610120000+0000",
    refusals: [{ kind: "required", detail: "Say A|B & C", at: "PID-3[2]" }],
    expectedSequenceNumber: 5,
  });
  expect(text.split("\r")).toEqual([
    "MSH|^~\\&|T|H|PAS|MOOR|20260610120000+0000||ACK^A28^ACK|x1|P|2.5.1||||||8859/1",
    "MSA|AE|A\\F\\1||5",
    "ERR||PID^1^3^2|101^Required field missing^HL70357|E||||Say A\\F\\B \\T\\ C",
    "",
  ]);
});

// HL7 v2.3, 2.24.3.1: ERR-1 holds the segment, its number, the field and a code, whose parts are divided as subcomponents; it repeats.
test("a sender of a version before 2.5 is told in the places that it has for it", () => {
  const header = readHeader(Buffer.from("MSH|^~\\&|PAS|MOOR|T|H|20260610||ADT^A28|7|P|2.3"));
  if (!header.ok) throw new Error();
  const refusals = [
    { kind: "required", detail: "x".repeat(100), at: "PID-3" },
    { kind: "value", detail: "No date.", at: "PID-7" },
  ] as const;
  const text = acknowledgementText(header.value, { code: "AE", controlId: "x1", sentAt: "20260610", refusals });
  expect(text.split("\r").slice(1, 3)).toEqual([
    `MSA|AE|7|${"x".repeat(80)}`,
    "ERR|PID^1^3^101&Required field missing&HL70357~PID^1^7^102&Data type error&HL70357",
  ]);
});
