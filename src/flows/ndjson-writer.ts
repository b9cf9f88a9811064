import { constants, crc32, deflateRaw, inflateRaw, type ZlibOptions } from "node:zlib";
import type { BulkChunk } from "../store/bulk-file.ts";

type Zlib = typeof deflateRaw | typeof inflateRaw;

/** On a thread of its own: nobody's request waits for it. */
function apart(work: Zlib, bytes: Buffer, options: ZlibOptions): Promise<Buffer> {
  return new Promise((resolve, reject) => {
    work(bytes, options, (error, answer) => (error === null ? resolve(answer) : reject(error)));
  });
}

/** Unpacked bytes of a piece. Larger ones pack no better, and a range of a file unpacks whole pieces. */
export const chunkBytes = 1_048_576;

/** Pieces that are packed and stored at the same moment: packing runs on threads of its own. */
const mostAtOnce = 3;

/** What was written so far; where an import goes on, it begins from there. */
export interface Written {
  readonly lines: number;
  readonly bytes: number;
  readonly crc32: number;
}

/** Takes lines of a file and hands them on in pieces. */
export interface NdjsonWriter {
  /** Whole lines or parts of them. Waits where pieces are not stored as quickly as they come. */
  write(bytes: Buffer): Promise<void>;
  /** Hands on what is left, waits for all pieces, and says what was written. */
  end(): Promise<Written>;
  readonly bytes: number;
}

/** Packs a piece so that it needs nothing of those before it and ends at a byte: pieces behind each other are one stream. */
export async function packed(bytes: Buffer): Promise<Buffer> {
  return apart(deflateRaw, bytes, { level: 1, chunkSize: 131_072, finishFlush: constants.Z_SYNC_FLUSH });
}

/** The bytes of a piece as they were before it was packed. */
export async function unpacked(chunk: Pick<BulkChunk, "packed">): Promise<Buffer> {
  return apart(inflateRaw, chunk.packed, { finishFlush: constants.Z_SYNC_FLUSH });
}

const nothing: Written = { lines: 0, bytes: 0, crc32: 0 };

/** A writer that hands packed pieces to `save`, which may be called for several at once; their order is told by `firstByte`. */
export function ndjsonWriter(save: (chunk: BulkChunk) => Promise<void>, before: Written = nothing): NdjsonWriter {
  let held: Buffer[] = [];
  let heldBytes = 0;
  let { bytes, lines } = before;
  let check = before.crc32;
  let failure: { readonly error: unknown } | undefined;
  const going = new Set<Promise<void>>();

  async function cut(): Promise<void> {
    const [only] = held;
    const piece = held.length === 1 && only !== undefined ? only : Buffer.concat(held, heldBytes);
    const firstByte = bytes - heldBytes;
    held = [];
    heldBytes = 0;
    const storing = packed(piece)
      .then((content) => save({ firstByte, bytes: piece.length, packed: content }))
      .catch((error: unknown) => {
        failure ??= { error };
      })
      .finally(() => going.delete(storing));
    going.add(storing);
    if (going.size >= mostAtOnce) await Promise.race(going);
    if (failure !== undefined) throw failure.error;
  }

  return {
    get bytes() {
      return bytes;
    },
    async write(more) {
      if (more.length === 0) return;
      held.push(more);
      heldBytes += more.length;
      bytes += more.length;
      check = crc32(more, check);
      lines += lineBreaks(more);
      if (heldBytes >= chunkBytes) await cut();
    },
    async end() {
      if (heldBytes > 0) await cut();
      await Promise.all(going);
      if (failure !== undefined) throw failure.error;
      return { lines, bytes, crc32: check };
    },
  };
}

const lineBreak = 10;

function lineBreaks(bytes: Buffer): number {
  let found = 0;
  for (let at = bytes.indexOf(lineBreak); at >= 0; at = bytes.indexOf(lineBreak, at + 1)) found += 1;
  return found;
}

/** What stands before the pieces of a gzip file, and what behind them (RFC 1952): so they need not be packed again. */
export const gzipHead = Buffer.from([0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255]);
export function gzipTail({ bytes, crc32: check }: Pick<Written, "bytes" | "crc32">): Buffer {
  // An empty last block, then the sum and the length of what was packed.
  const tail = Buffer.from([3, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
  tail.writeUInt32LE(check, 2);
  tail.writeUInt32LE(bytes % 0x1_0000_0000, 6);
  return tail;
}
