import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { type ReadUpload, readUseRecord } from "../../src/intake/use-record.ts";
import { csvColumns } from "../../src/intake/use-record-csv.ts";
import type { UseRecordUpload } from "../../src/intake/use-record-schema.ts";

const limits = { maxBytes: 1_000_000, maxInflatedBytes: 1_000_000 };
const envelope = "#device.serialNumber,TG-0001\n#readAt,2026-04-09T09:00:00Z\n";
const times = "2026-04-09T07:00:00Z,2026-04-09T07:12:00Z";

function answer(text: string, contentType = "text/csv") {
  return readUseRecord(new TextEncoder().encode(text), { contentType, contentEncoding: "", limits });
}

function answerWithin(maxBytes: number, text: string) {
  const options = { contentType: "text/csv", contentEncoding: "", limits: { maxBytes, maxInflatedBytes: maxBytes } };
  return readUseRecord(new TextEncoder().encode(text), options);
}

function read(text: string): ReadUpload {
  const found = answer(text);
  if (!found.ok) throw new Error(JSON.stringify(found.refusals));
  return found.value;
}

function refusals(text: string) {
  const found = answer(text);
  return found.ok ? [] : found.refusals;
}

function rowRefusals(text: string) {
  return read(text).refusedSessions.flatMap((one) => one.refusals);
}

test("every line of the envelope has its place", () => {
  const text = `#device.system,https://tidegate.example/serial\n${envelope}#deviceClockAtReading,2026-04-09T09:00:20\n#coverage,2026-04-01T00:00:00,2026-04-09T09:00:20\n#coverage,2026-03-01T00:00:00,2026-03-02T00:00:00\n#alert,low-battery,2026-04-02T10:00:00,"plugged in, late"\n#alert,leak,2026-04-03T10:00:00\nstart,end\n`;
  expect(read(text).envelope).toEqual({
    device: { system: "https://tidegate.example/serial", serialNumber: "TG-0001" },
    readAt: "2026-04-09T09:00:00Z",
    deviceClockAtReading: "2026-04-09T09:00:20",
    coverage: [
      { start: "2026-04-01T00:00:00", end: "2026-04-09T09:00:20" },
      { start: "2026-03-01T00:00:00", end: "2026-03-02T00:00:00" },
    ],
    alerts: [
      { code: "low-battery", at: "2026-04-02T10:00:00", text: "plugged in, late" },
      { code: "leak", at: "2026-04-03T10:00:00" },
    ],
  });
});

test("an empty cell is a value that was not recorded", () => {
  const text = `${envelope}start,end,leakLitresPerMinute,test\n${times},,true\n`;
  expect(read(text).sessions).toEqual([
    { index: 0, at: "line 4", record: { start: "2026-04-09T07:00:00Z", end: "2026-04-09T07:12:00Z", test: true } },
  ]);
});

test.each(["\n", "\r\n", "\r"])("lines may end with %j", (ending) => {
  const text = `${envelope}start,end\n${times}\n\n${times},7\n`.replaceAll("\n", ending);
  expect(read(text).sessions.map(({ at }) => at)).toEqual(["line 4"]);
  expect(rowRefusals(text)).toMatchObject([{ at: "line 6" }]);
});

test("the empty cells and lines that a spreadsheet adds say nothing", () => {
  const text = `#device.serialNumber,TG-0001,,\n#readAt,2026-04-09T09:00:00Z,,\nstart,end\n${times},,\n,,,\n`;
  expect(read(text)).toMatchObject({ sessions: [{ at: "line 4" }], refusedSessions: [] });
});

describe("a mistake in one line refuses that line, names line and column, and keeps the rest", () => {
  const header = `${envelope}start,end,setInsufflationSeconds,test,triggerMode\n${times},1.5,,\n`;

  test.each([
    ["a decimal comma", `${times},"1,6",,`, "line 5.setInsufflationSeconds", /line 5, column 3 .*decimal comma.*1\.6/],
    ["a word for a number", `${times},long,,`, "line 5.setInsufflationSeconds", /line 5, column 3 .*no number/],
    ["a number too large to hold", `${times},1e400,,`, "line 5.setInsufflationSeconds", /no number/],
    ["yes for true", `${times},1,yes,`, "line 5.test", /line 5, column 4 .*true nor false/],
    ["an unknown trigger mode", `${times},1,,magic`, "line 5.triggerMode", /"manual" or/],
    ["no end", "2026-04-09T07:00:00Z,,1,,", "line 5.end", /required/],
  ])("%s", (_, line, at, detail) => {
    const found = read(`${header}${line}\n${times},1,,\n`);
    expect(found.sessions.map((one) => one.at)).toEqual(["line 4", "line 6"]);
    expect(found.refusedSessions).toHaveLength(1);
    expect(found.refusedSessions[0]?.refusals).toEqual([
      expect.objectContaining({ at, detail: expect.stringMatching(detail) }),
    ]);
  });

  test("a decimal comma without quotes makes one cell too many, and the answer says so", () => {
    const [first] = rowRefusals(`${header}${times},1,6,,manual\n`);
    expect(first).toMatchObject({ kind: "structure", at: "line 5", detail: expect.stringContaining("1.6, not 1,6") });
  });

  test("what could not be read is kept as it was written", () => {
    expect(read(`${header}${times},"1,6",,\n`).refusedSessions[0]?.received).toMatchObject({
      setInsufflationSeconds: "1,6",
    });
  });
});

describe("a mistake in the envelope or in the names refuses the whole", () => {
  test.each([
    ["an unknown column", `${envelope}start,end,presure\n`, "presure", /line 3, column 3.*no column "presure"/],
    ["a column twice", `${envelope}start,end,start\n`, "start", /line 3, column 3.*already/],
    ["semicolons", `${envelope}start;end\n`, "start;end", /commas/],
    ["semicolons in the envelope", "#readAt;2026-04-09T09:00:00Z\n", "#readAt;2026-04-09T09:00:00Z", /commas/],
    ["an unknown line of the envelope", `${envelope}#patient,x\nstart,end\n`, "#patient", /line 3/],
    ["a line named like a built-in", `${envelope}#toString\nstart,end\n`, "#toString", /line 3/],
    ["a second reading", `${envelope}#readAt,2026-04-10T09:00:00Z\nstart,end\n`, "#readAt", /line 3.*already/],
    ["a cell too many", `${envelope}#coverage,a,b,c\nstart,end\n`, "#coverage", /line 3/],
    ["no serial number", "#readAt,2026-04-09T09:00:00Z\nstart,end\n", "device.serialNumber", /required/],
    ["an empty readAt", "#device.serialNumber,TG-0001\n#readAt,\nstart,end\n", "readAt", /required/],
    ["no line of names", envelope, "header", /column names/],
    ["an open quote", `${envelope}start,end\n"${times}\n`, "line 4", /line 4, column 1: a quote/],
    ["cycles, which have no place in a row", `${envelope}start,end,cycles\n`, "cycles", /no column/],
  ])("%s", (_, text, at, detail) => {
    expect(refusals(text)).toEqual([expect.objectContaining({ at, detail: expect.stringMatching(detail) })]);
  });
});

describe("a text that starts with # below the line of names", () => {
  const names = `${envelope}profileSlot,start,end\n`;

  test("is the text of a session", () => {
    expect(read(`${names}#A,${times}\n`).sessions).toMatchObject([{ at: "line 4", record: { profileSlot: "#A" } }]);
  });

  test("is a line of the envelope where it has the name of one", () => {
    const found = read(`${names}A,${times}\n#alert,leak,2026-04-09T07:03:00Z\n`);
    expect([found.sessions.length, found.refusedSessions]).toEqual([1, []]);
    expect(found.envelope.alerts).toEqual([{ code: "leak", at: "2026-04-09T07:03:00Z" }]);
  });
});

describe("what would exhaust the memory is refused", () => {
  test("ten thousand columns: twenty are named, the rest counted", () => {
    const found = refusals(`${envelope}start,end${",a".repeat(10_000)}\n`);
    expect(found).toHaveLength(21);
    expect(found.at(-1)).toMatchObject({ at: "header", detail: expect.stringContaining("9980 more") });
  });

  test.each([
    ["empty cells", `${envelope}start,end\r\n${",".repeat(65_537)}`],
    ["columns", `${envelope}start,end\n${"a,".repeat(300_000)}\n`],
    ["a quote over many lines", `${envelope}start,end\n"${"x\n".repeat(40_000)}"`],
  ])("a line of more than 65 536 characters: %s", (_, text) => {
    expect(refusals(text)).toMatchObject([{ kind: "too-long", at: expect.stringMatching(/^line \d+$/) }]);
  });

  test("a line of 65 536 characters is read, and a longer one is named by its number", () => {
    const line = `${times}${",".repeat(65_536 - times.length)}`;
    expect(read(`${envelope}start,end\n${line}\n`).sessions).toHaveLength(1);
    expect(refusals(`${envelope}start,end\r\n${line},\n`)).toMatchObject([{ at: "line 4" }]);
  });

  test.each([20_001, 40_000])("%i sessions", (count) => {
    const text = `${envelope}start,end\n${"a,b\n".repeat(count)}`;
    expect(refusals(text)).toMatchObject([{ kind: "too-long", at: "sessions" }]);
  });

  test("20 000 sessions with the most coverage and alerts are still read", () => {
    const coverage = "#coverage,2026-04-08T09:00:00Z,2026-04-09T09:00:00Z\n".repeat(1_000);
    const alerts = "#alert,leak,2026-04-09T07:03:00Z\n".repeat(5_000);
    const more = "#device.system,urn:x\n#deviceClockAtReading,2026-04-09T09:00:00Z\n";
    const text = `${envelope}${more}${coverage}${alerts}start,end\n${`${times}\n`.repeat(20_000)}`;
    const found = answerWithin(2_000_000, text);
    if (!found.ok) throw new Error(JSON.stringify(found.refusals));
    expect([found.value.sessions.length, found.value.envelope.alerts?.length]).toEqual([20_000, 5_000]);
  });
});

test("JSON and CSV of the same sessions read the same", () => {
  const number = fc.double({ noNaN: true, noDefaultInfinity: true }).map((value) => (Object.is(value, -0) ? 0 : value));
  const count = fc.nat(1_000_000);
  const spread = fc.record({ median: number, p5: number, p95: number }, { requiredKeys: ["median"] });
  const text = fc.string({ minLength: 1, maxLength: 50 }).filter((value) => value.trim() === value && value !== "");
  const session = fc.record(
    {
      sequenceNumber: count,
      start: fc.constant("2026-04-09T07:00:00"),
      end: fc.constant("2026-04-09T07:12:00"),
      profileSlot: text,
      triggerMode: fc.constantFrom("manual" as const, "patient-triggered" as const),
      cyclesDelivered: count,
      setExsufflationPressureCmH2O: number,
      achievedInsufflationPressureCmH2O: spread,
      achievedExsufflationPressureCmH2O: spread,
      meanSpo2Percent: number,
      stopReason: text,
      test: fc.boolean(),
    },
    { requiredKeys: ["start", "end"] },
  );
  const allColumns = [...csvColumns.keys()];
  const columnOrders = fc.shuffledSubarray(allColumns, { minLength: allColumns.length });
  const cellOf = (one: object, name: string): string => {
    const value = name.split(".").reduce<unknown>((found, part) => (found as Record<string, unknown>)?.[part], one);
    return value === undefined ? "" : typeof value === "string" ? `"${value.replaceAll('"', '""')}"` : String(value);
  };
  fc.assert(
    fc.property(fc.array(session, { maxLength: 5 }), columnOrders, (sessions, names) => {
      const lines = sessions.map((one) => names.map((name) => cellOf(one, name)).join(","));
      const json: UseRecordUpload = {
        format: "tidegate-use-record",
        version: 1,
        device: { serialNumber: "TG-0001" },
        readAt: "2026-04-09T09:00:00Z",
        sessions,
      };
      const fromJson = answer(JSON.stringify(json), "application/json");
      const fromCsv = read(`${envelope}${names.join(",")}\n${lines.join("\n")}`);
      if (!fromJson.ok) throw new Error(JSON.stringify(fromJson.refusals));
      expect(fromCsv.envelope).toEqual(fromJson.value.envelope);
      expect(fromCsv.refusedSessions).toEqual([]);
      expect(fromCsv.sessions.map(({ record }) => record)).toEqual(sessions);
      expect(fromJson.value.sessions.map(({ record }) => record)).toEqual(sessions);
    }),
  );
});
