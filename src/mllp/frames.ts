/** The bytes around a message (HL7 v2.5.1, appendix C; MLLP release 1): VT before it, FS and CR behind it. */
export const marks = { start: 0x0b, end: 0x1c, return: 0x0d } as const;

/** What a chunk of bytes brought. */
export interface Framed {
  readonly messages: readonly Buffer[];
  /** Why nothing more can be read of this connection: its sender is out of step. */
  readonly broken?: "too-long" | "no-frame";
}

/** Puts frames together from whatever chunks a network makes of them. */
export interface FrameReader {
  push(chunk: Uint8Array): Framed;
  /** Whether a frame has begun and not ended. */
  isWithin(): boolean;
}

/**
 * Opens a reader whose frames hold at most so many bytes. Line ends between frames are let pass, as some senders add them; any
 * other byte there means that the sender speaks something else. A frame that begins within another takes its place: the first
 * was cut, was never answered, and will come again.
 */
export function frameReader(maxBytes: number): FrameReader {
  let parts: Buffer[] = [];
  let size = 0;
  let within = false;
  let endSeen = false;

  const keep = (bytes: Buffer) => {
    if (bytes.length === 0) return;
    parts.push(Buffer.from(bytes));
    size += bytes.length;
  };
  const begin = () => {
    [parts, size, within, endSeen] = [[], 0, true, false];
  };

  function push(chunk: Uint8Array): Framed {
    const bytes = Buffer.from(chunk.buffer, chunk.byteOffset, chunk.byteLength);
    const messages: Buffer[] = [];
    let from = 0;
    for (let at = 0; at < bytes.length; at += 1) {
      const byte = bytes[at];
      if (!within) {
        if (byte === marks.start) {
          begin();
          from = at + 1;
        } else if (byte !== marks.return && byte !== 0x0a) return { messages, broken: "no-frame" };
        continue;
      }
      if (endSeen && byte === marks.return) {
        messages.push(Buffer.concat(parts));
        within = false;
        from = at + 1;
      } else if (byte === marks.start) {
        begin();
        from = at + 1;
      } else if (byte === marks.end) {
        if (endSeen) keep(Buffer.of(marks.end));
        keep(bytes.subarray(from, at));
        endSeen = true;
        from = at + 1;
      } else if (endSeen) {
        // An FS within the message: not what ends it.
        keep(Buffer.of(marks.end));
        endSeen = false;
        from = at;
      }
      if (within && size + (at - from) > maxBytes) return { messages, broken: "too-long" };
    }
    if (within && !endSeen) keep(bytes.subarray(from));
    return size > maxBytes && within ? { messages, broken: "too-long" } : { messages };
  }

  return { push, isWithin: () => within };
}

/** A message in its frame. */
export function framed(message: Uint8Array): Buffer {
  return Buffer.concat([Buffer.of(marks.start), message, Buffer.of(marks.end, marks.return)]);
}
