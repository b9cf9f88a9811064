import { readFileSync } from "node:fs";
import { gzipSync } from "node:zlib";
import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { type ReadUpload, readUseRecord } from "../../src/intake/use-record.ts";

const limits = { maxBytes: 1_000_000, maxInflatedBytes: 1_000_000 };
const plain = { contentType: "application/json", contentEncoding: "identity", limits };

function bytesOf(value: unknown): Uint8Array {
  return new TextEncoder().encode(typeof value === "string" ? value : JSON.stringify(value));
}

const session = { start: "2026-04-09T07:00:00Z", end: "2026-04-09T07:12:00Z" };

function upload(sessions: unknown, more: object = {}): object {
  return {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: "TG-0001" },
    readAt: "2026-04-09T09:00:00Z",
    sessions,
    ...more,
  };
}

function read(value: unknown, options: Partial<Parameters<typeof readUseRecord>[1]> = {}): ReadUpload {
  const answer = readUseRecord(bytesOf(value), { ...plain, ...options });
  if (!answer.ok) throw new Error(JSON.stringify(answer.refusals));
  return answer.value;
}

function refusals(bytes: Uint8Array, options: Partial<Parameters<typeof readUseRecord>[1]> = {}) {
  const answer = readUseRecord(bytes, { ...plain, ...options });
  return answer.ok ? [] : answer.refusals;
}

test("an upload of device, readAt, start and end alone is read", () => {
  expect(read(upload([session]))).toEqual({
    envelope: { device: { serialNumber: "TG-0001" }, readAt: "2026-04-09T09:00:00Z" },
    sessions: [{ index: 0, at: "sessions[0]", record: session }],
    refusedSessions: [],
  });
});

describe("what is wrong with one session refuses that record and keeps the rest", () => {
  test.each([
    [
      "a number in quotes",
      { setExsufflationPressureCmH2O: "-40" },
      "value",
      "sessions[1].setExsufflationPressureCmH2O",
    ],
    ["a field that the format has not", { presure: 40 }, "structure", "sessions[1].presure"],
    ["a missing end", { end: undefined }, "required", "sessions[1].end"],
    ["an unknown trigger mode", { triggerMode: "magic" }, "value", "sessions[1].triggerMode"],
    [
      "a spread without median",
      { achievedInsufflationPressureCmH2O: { p5: 30 } },
      "required",
      "sessions[1].achievedInsufflationPressureCmH2O.median",
    ],
    ["a cycle with an unknown field", { cycles: [{}, { flow: 1 }] }, "structure", "sessions[1].cycles[1].flow"],
    ["a text of 201 characters", { stopReason: "x".repeat(201) }, "too-long", "sessions[1].stopReason"],
    ["2001 cycles", { cycles: Array(2001).fill({}) }, "too-long", "sessions[1].cycles"],
    ["half a cycle", { cyclesDelivered: 1.5 }, "value", "sessions[1].cyclesDelivered"],
  ])("%s", (_, wrong, kind, at) => {
    const answer = read(upload([session, { ...session, ...wrong }, session]));
    expect(answer.sessions.map(({ index }) => index)).toEqual([0, 2]);
    expect(answer.refusedSessions.map(({ index, at }) => [index, at])).toEqual([[1, "sessions[1]"]]);
    expect(answer.refusedSessions[0]?.refusals.map((one) => [one.kind, one.at])).toEqual([[kind, at]]);
  });

  test("a number too large to hold, written 1e400, is refused", () => {
    const text = JSON.stringify(upload([{ ...session, pulsePerMinute: 777 }])).replace("777", "1e400");
    expect(read(text).refusedSessions[0]?.refusals).toMatchObject([
      { kind: "value", at: "sessions[0].pulsePerMinute" },
    ]);
  });

  test("a session that is no object is refused and kept as received", () => {
    expect(read(upload([7])).refusedSessions).toMatchObject([{ received: 7, refusals: [{ at: "sessions[0]" }] }]);
  });
});

test("2000 cycles and texts of 200 characters are still read", () => {
  const full = { ...session, stopReason: "x".repeat(200), cycles: Array(2000).fill({ triggered: true }) };
  expect(read(upload([full])).sessions[0]?.record).toEqual(full);
});

describe("what is wrong with the envelope refuses the whole", () => {
  test.each([
    ["no device", { device: undefined }, "required", "device"],
    ["no readAt", { readAt: undefined }, "required", "readAt"],
    ["no sessions", { sessions: undefined }, "required", "sessions"],
    ["another format", { format: "other" }, "value", "format"],
    ["another version", { version: 2 }, "value", "version"],
    ["a field that the format has not", { patient: "x" }, "structure", "patient"],
    [
      "a device field that the format has not",
      { device: { serialNumber: "TG-0001", colour: "x" } },
      "structure",
      "device.colour",
    ],
    ["an alert without time", { alerts: [{ code: "x" }] }, "required", "alerts[0].at"],
    ["5001 alerts", { alerts: Array(5001).fill({ code: "x", at: session.start }) }, "too-long", "alerts"],
    ["20 001 sessions", { sessions: Array(20_001).fill(0) }, "too-long", "sessions"],
  ])("%s", (_, wrong, kind, at) => {
    expect(refusals(bytesOf(upload([session], wrong)))).toMatchObject([{ kind, at }]);
  });
});

test("20 000 sessions and 5000 alerts are still read", () => {
  const alerts = Array(5000).fill({ code: "x", at: session.start });
  const answer = read(upload(Array(20_000).fill(session), { alerts }), {
    limits: { maxBytes: 5_000_000, maxInflatedBytes: 1 },
  });
  expect([answer.sessions.length, answer.envelope.alerts?.length]).toEqual([20_000, 5000]);
});

describe("U+0000 and halves of surrogate pairs, which no database text holds", () => {
  test.each(["a\0b", "a\ud800b"])(
    "%j in one session refuses that record, and what is kept of it can be stored",
    (text) => {
      const found = read(upload([session, { ...session, stopReason: text, [text]: 1 }]));
      expect(found.sessions.map(({ index }) => index)).toEqual([0]);
      expect(found.refusedSessions[0]?.refusals.map(({ at }) => at)).toEqual([
        "sessions[1].stopReason",
        "sessions[1].a\ufffdb",
      ]);
      expect(found.refusedSessions[0]?.received).toEqual({ ...session, stopReason: "a\ufffdb", "a\ufffdb": 1 });
    },
  );

  test("in the serial number refuses the whole", () => {
    expect(refusals(bytesOf(upload([session], { device: { serialNumber: "\0" } })))).toMatchObject([
      { kind: "value", at: "device.serialNumber" },
    ]);
  });
});

describe("the name __proto__ is an unknown field like any other and changes no object", () => {
  test("in a session", () => {
    const text = JSON.stringify(upload([{ ...session, x: 1 }])).replace('"x":1', '"__proto__":{"test":true}');
    expect(read(text).refusedSessions[0]?.refusals).toMatchObject([{ at: "sessions[0].__proto__" }]);
    expect(({} as { test?: boolean }).test).toBeUndefined();
  });

  test("in the envelope", () => {
    const text = JSON.stringify(upload([session], { x: 1 })).replace('"x":1', '"__proto__":{"coverage":[]}');
    expect(refusals(bytesOf(text))).toMatchObject([{ kind: "structure", at: "__proto__" }]);
  });
});

describe("size, type and packing", () => {
  const body = bytesOf(upload([session]));

  test("a body of just the allowed size is read, one byte more is refused with 413", () => {
    expect(refusals(body, { limits: { ...limits, maxBytes: body.length } })).toEqual([]);
    expect(refusals(body, { limits: { ...limits, maxBytes: body.length - 1 } })).toMatchObject([
      { kind: "too-long", status: 413 },
    ]);
  });

  test.each(["application/json", "Application/JSON; charset=utf-8", "text/json"])("%s is read", (contentType) => {
    expect(refusals(body, { contentType })).toEqual([]);
  });

  test.each(["", "text/plain", "application/xml", "application/fhir+json"])("%j is refused with 415", (contentType) => {
    expect(refusals(body, { contentType })).toMatchObject([{ kind: "not-supported", status: 415 }]);
  });

  test("an encoding other than gzip is refused with 415", () => {
    expect(refusals(body, { contentEncoding: "br" })).toMatchObject([{ kind: "not-supported", status: 415 }]);
  });

  test.each([
    { contentType: "application/json", contentEncoding: "gzip" },
    { contentType: "application/gzip", contentEncoding: "" },
  ])("gzip reads the same as plain: %j", (how) => {
    expect(readUseRecord(gzipSync(body), { ...how, limits })).toEqual(readUseRecord(body, plain));
  });

  test("CSV may be packed as well", () => {
    const csv = "#device.serialNumber,TG-0001\n#readAt,2026-04-09T09:00:00Z\nstart,end\n";
    expect(refusals(gzipSync(csv), { contentType: "text/csv", contentEncoding: "gzip" })).toEqual([]);
  });

  test("a small body that unpacks beyond the limit is refused with 413", () => {
    const bomb = gzipSync(new Uint8Array(limits.maxInflatedBytes + 1));
    expect(bomb.length).toBeLessThan(5_000);
    expect(refusals(bomb, { contentEncoding: "gzip" })).toMatchObject([{ kind: "too-long", status: 413 }]);
  });

  test("a byte order mark is tolerated", () => {
    expect(refusals(Uint8Array.of(0xef, 0xbb, 0xbf, ...body))).toEqual([]);
  });

  test("bytes that are not UTF-8 are refused", () => {
    expect(refusals(Uint8Array.of(...body, 0xff))).toMatchObject([{ kind: "structure" }]);
  });
});

test("the example in CSV says the same as the example in JSON", () => {
  const example = (name: string) => readFileSync(new URL(`../../seed/examples/${name}`, import.meta.url));
  const json = readUseRecord(example("use-record.json"), plain);
  const csv = readUseRecord(example("use-record.csv"), { ...plain, contentType: "text/csv" });
  if (!json.ok || !csv.ok) throw new Error("an example was refused");
  expect(csv.value.envelope).toEqual(json.value.envelope);
  expect(csv.value.sessions.map(({ record }) => record)).toEqual(json.value.sessions.map(({ record }) => record));
  expect([json.value.refusedSessions, csv.value.refusedSessions]).toEqual([[], []]);
  expect(json.value.sessions.length).toBeGreaterThan(1);
});

test("the JSON and the CSV shown in docs/use-record-format.md are read and say the same", () => {
  const text = readFileSync(new URL("../../docs/use-record-format.md", import.meta.url), "utf8");
  const [json, csv] = ["json", "csv"].map(
    (name) => new RegExp(`\`\`\`${name}\\n(.*?)\`\`\``, "s").exec(text)?.[1] ?? "",
  );
  const [fromJson, fromCsv] = [read(json), read(csv, { contentType: "text/csv" })];
  expect(fromCsv.envelope).toEqual(fromJson.envelope);
  expect(fromCsv.sessions.map(({ record }) => record)).toEqual(fromJson.sessions.map(({ record }) => record));
  expect([fromJson.sessions.length, fromJson.refusedSessions, fromCsv.refusedSessions]).toEqual([1, [], []]);
});

describe("whatever arrives, there is an answer and no exception", () => {
  const types = fc.constantFrom("application/json", "text/csv", "application/gzip", "image/png");
  const encodings = fc.constantFrom("", "gzip", "identity", "br");
  const answers = (bytes: Uint8Array, contentType: string, contentEncoding: string): void => {
    const answer = readUseRecord(bytes, { contentType, contentEncoding, limits });
    if (answer.ok) return;
    expect(answer.refusals.length).toBeGreaterThan(0);
    for (const one of answer.refusals) expect(one.detail.length).toBeGreaterThan(20);
  };

  test("arbitrary bytes", () => {
    fc.assert(fc.property(fc.uint8Array({ maxLength: 300 }), types, encodings, answers), { numRuns: 500 });
  });

  test("arbitrary JSON in place of a session and beside the envelope", () => {
    const bodies = fc.record({ one: fc.jsonValue(), more: fc.dictionary(fc.string(), fc.jsonValue()) });
    fc.assert(
      fc.property(bodies, ({ one, more }) => answers(bytesOf(upload([one, session], more)), "application/json", "")),
    );
  });

  test("arbitrary text as CSV lines", () => {
    const lines = fc.array(fc.string({ unit: fc.constantFrom(..."#a1,;\"' \r\n.-") }), { maxLength: 8 });
    fc.assert(
      fc.property(lines, (some) => answers(bytesOf(`#readAt,x\n${some.join("\n")}`), "text/csv", "")),
      { numRuns: 500 },
    );
  });

  test("a hundred thousand brackets", () => {
    const deep = `${"[".repeat(100_000)}${"]".repeat(100_000)}`;
    expect(refusals(bytesOf(JSON.stringify(upload([0])).replace("[0]", deep)))).toMatchObject([{ kind: "structure" }]);
  });
});
