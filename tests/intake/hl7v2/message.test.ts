import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { readHeader, readMessage, segmentsOf, textAt } from "../../../src/intake/hl7v2/message.ts";

const read = (text: string | Uint8Array) => {
  const bytes = typeof text === "string" ? Buffer.from(text) : text;
  const header = readHeader(bytes);
  return header.ok ? readMessage(bytes, header.value) : header;
};
const pidOf = (text: string) => {
  const message = read(`MSH|^~\\&|A|B|||20260610||ADT^A28|1|P|2.5.1\r${text}\r`);
  if (!message.ok) throw new Error(JSON.stringify(message.refusals));
  const [pid] = segmentsOf(message.value, "PID");
  if (pid === undefined) throw new Error("no PID");
  return { message: message.value, pid };
};

describe("a message", () => {
  test("is divided by the delimiters that it names", () => {
    const message = read("MSH#*!?%#A#B\rPID###1*2%3!4\r");
    if (!message.ok) throw new Error();
    const [pid] = segmentsOf(message.value, "PID");
    const at = (place: object) => pid && textAt(message.value, pid, { field: 3, ...place });
    expect([at({}), at({ component: 2, subcomponent: 2 }), at({ repetition: 2 })]).toEqual(["1", "3", "4"]);
  });

  test("has places that are empty, wherever one looks", () => {
    const { message, pid } = pidOf("PID|||1");
    for (const place of [
      { field: 99 },
      { field: 3, repetition: 9 },
      { field: 3, component: 9 },
      { field: 3, subcomponent: 9 },
    ])
      expect(textAt(message, pid, place)).toBe("");
  });

  test("may have line ends of any kind, blank lines, and segments that nobody knows", () => {
    const message = read("MSH|^~\\&|A|B\r\nZZZ|kept\n\nPID|||1\r\n");
    expect(message.ok && message.value.segments.map(({ name }) => name)).toEqual(["MSH", "ZZZ", "PID"]);
  });

  test("is told by its header, MSH-1 counted", () => {
    const header = readHeader(
      Buffer.from("MSH|^~\\&|PAS|MOOR|T|H|20260610||ORU^R01^ORU_R01|42|P|2.6|7||AL|NE||8859/1"),
    );
    expect(header).toMatchObject({
      value: {
        sendingApplication: "PAS",
        sendingFacility: "MOOR",
        messageCode: "ORU",
        triggerEvent: "R01",
        controlId: "42",
        version: "2.6",
        sequenceNumber: "7",
        acceptAcknowledgement: "AL",
        applicationAcknowledgement: "NE",
        characterSet: "8859/1",
      },
    });
  });
});

test.each([
  ["no message", "hello"],
  ["delimiters that are not five", "MSH|^~\\|"],
  ["delimiters that are letters", "MSHabcde"],
  ["nothing", ""],
  ["a batch", "FHS|^~\\&|"],
])("%s is refused", (_what, text) => {
  expect(read(text)).toMatchObject({ ok: false, refusals: [{ at: "MSH" }] });
});

test("whatever bytes come, they are read or refused, and never throw", () => {
  const beginnings = fc.constantFrom(
    "",
    "MSH|^~\\&|",
    "MSH|^~\\&|A|B|||2026||ADT^A28|1|P|2.5.1||||||UNICODE UTF-8\rPID|",
  );
  fc.assert(
    fc.property(beginnings, fc.uint8Array({ maxLength: 300 }), (start, rest) => {
      const message = read(Buffer.concat([Buffer.from(start), rest]));
      if (message.ok)
        for (const segment of message.value.segments) textAt(message.value, segment, { field: 3, repetition: 2 });
    }),
    { numRuns: 500 },
  );
});
