import { gunzipSync } from "node:zlib";
import fc from "fast-check";
import { expect, test } from "vitest";
import { gzipHead, gzipTail, ndjsonWriter, unpacked } from "../../src/flows/ndjson-writer.ts";
import type { BulkChunk } from "../../src/store/bulk-file.ts";

async function written(parts: readonly Buffer[], before?: Parameters<typeof ndjsonWriter>[1]) {
  const chunks: BulkChunk[] = [];
  const writer = ndjsonWriter(async (chunk) => void chunks.push(chunk), before);
  for (const part of parts) await writer.write(part);
  const end = await writer.end();
  return { chunks: chunks.sort((a, b) => a.firstByte - b.firstByte), end };
}

// RFC 1952: one member with a sum and a length that gunzip checks.
test("pieces between head and tail are one gzip file of what was written, however it was cut up", async () => {
  const part = fc
    .string({ maxLength: 400_000, minLength: 0, unit: "grapheme" })
    .map((text) => Buffer.from(`${text}\n`));
  await fc.assert(
    fc.asyncProperty(fc.array(part, { maxLength: 8 }), fc.integer({ min: 1, max: 4 }), async (few, times) => {
      const parts = Array.from({ length: times }, () => few).flat();
      const whole = Buffer.concat(parts);
      const { chunks, end } = await written(parts);
      const file = Buffer.concat([gzipHead, ...chunks.map(({ packed }) => packed), gzipTail(end)]);
      expect(gunzipSync(file).equals(whole)).toBe(true);
      expect(end.lines).toBe(whole.filter((byte) => byte === 10).length);
      for (const chunk of chunks) {
        const plain = await unpacked(chunk);
        expect(plain.equals(whole.subarray(chunk.firstByte, chunk.firstByte + chunk.bytes))).toBe(true);
      }
    }),
    { numRuns: 15 },
  );
});

test("a failure to store a piece is the writer's failure, and no later than its end", async () => {
  const writer = ndjsonWriter(() => Promise.reject(new Error("no disk")));
  const writing = async () => {
    for (let i = 0; i < 5; i += 1) await writer.write(Buffer.alloc(1_100_000, 10));
    await writer.end();
  };
  await expect(writing()).rejects.toThrow("no disk");
});
