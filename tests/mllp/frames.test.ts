import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { framed, frameReader } from "../../src/mllp/frames.ts";

const text = (buffers: readonly Buffer[]) => buffers.map((one) => one.toString("latin1"));

describe("frames", () => {
  test("of two messages in one chunk are two", () => {
    const chunk = Buffer.concat([framed(Buffer.from("one")), framed(Buffer.from("two"))]);
    expect(text(frameReader(100).push(chunk).messages)).toEqual(["one", "two"]);
  });

  test("are put together from bytes that come one by one", () => {
    const reader = frameReader(100);
    const found = [...framed(Buffer.from("MSH|one"))].flatMap((byte) => reader.push(Buffer.of(byte)).messages);
    expect(text(found)).toEqual(["MSH|one"]);
    expect(reader.isWithin()).toBe(false);
  });

  test("may have line ends between them, and nothing else", () => {
    const reader = frameReader(100);
    expect(text(reader.push(Buffer.from("\r\n\x0bone\x1c\r\r\n")).messages)).toEqual(["one"]);
    expect(reader.push(Buffer.from("GET / HTTP/1.1")).broken).toBe("no-frame");
  });

  test("that begin within another take its place", () => {
    expect(text(frameReader(100).push(Buffer.from("\x0bcut\x0bwhole\x1c\r")).messages)).toEqual(["whole"]);
  });

  test("that are too long are told before they end", () => {
    const reader = frameReader(5);
    expect(reader.push(Buffer.from("\x0bone")).broken).toBeUndefined();
    expect(reader.push(Buffer.from("twothree")).broken).toBe("too-long");
  });

  test("hold an FS that no CR follows", () => {
    expect(text(frameReader(100).push(Buffer.from("\x0ba\x1cb\x1c\x1cc\x1c\r")).messages)).toEqual(["a\x1cb\x1c\x1cc"]);
  });
});

test("however a stream of frames is cut into chunks, the same messages come out", () => {
  const body = fc.uint8Array({ maxLength: 40 }).map((bytes) => bytes.filter((byte) => byte !== 0x0b && byte !== 0x1c));
  fc.assert(
    fc.property(fc.array(body, { maxLength: 6 }), fc.array(fc.integer({ min: 1, max: 20 })), (bodies, sizes) => {
      const stream = Buffer.concat(bodies.map(framed));
      const reader = frameReader(1_000);
      const found: Buffer[] = [];
      for (let at = 0, i = 0; at < stream.length; i += 1) {
        const next = at + (sizes[i % Math.max(sizes.length, 1)] ?? 7);
        found.push(...reader.push(stream.subarray(at, next)).messages);
        at = next;
      }
      expect(found.map((one) => one.toString("hex"))).toEqual(bodies.map((one) => Buffer.from(one).toString("hex")));
    }),
  );
});
