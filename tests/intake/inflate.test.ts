import { gzipSync } from "node:zlib";
import { expect, test } from "vitest";
import { inflate } from "../../src/intake/inflate.ts";

const bytes = new TextEncoder().encode("two sessions a day, seven days a week. ".repeat(50));
const packed = gzipSync(bytes);

test("what was packed comes out as it went in, up to just the allowed size", () => {
  const answer = inflate(packed, bytes.length);
  expect(answer.ok && Buffer.from(answer.value).equals(bytes)).toBe(true);
});

test("one byte more than allowed is too long", () => {
  expect(inflate(packed, bytes.length - 1)).toMatchObject({ ok: false, refusals: [{ kind: "too-long", status: 413 }] });
});

test("a body cut off anywhere is refused", () => {
  for (let length = 0; length < packed.length; length += 1) {
    expect(inflate(packed.subarray(0, length), bytes.length)).toMatchObject({
      ok: false,
      refusals: [{ kind: "structure" }],
    });
  }
});

test("a damaged body is refused: the checksum of RFC 1952 no longer fits", () => {
  const damaged = Uint8Array.from(packed);
  damaged[damaged.length - 6] = (damaged[damaged.length - 6] ?? 0) ^ 1;
  expect(inflate(damaged, bytes.length)).toMatchObject({ ok: false, refusals: [{ kind: "structure" }] });
});
