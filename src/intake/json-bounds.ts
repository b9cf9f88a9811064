import { accepted, type Result, refused } from "../domain/result.ts";

/** The format nests five deep; what nests far deeper is no record, and would exhaust the stack when kept as refused. */
const deepestNesting = 32;
/** A session has 24 fields. Parsing slows sharply with the number of different names in one object. */
const mostFields = 1_000;
/** All of them cost memory at once: a few kilobytes of gzip can unpack to many millions of empty ones. */
const mostObjects = 2_000_000;

const sign = { quote: 34, comma: 44, backslash: 92, list: 91, listEnd: 93, object: 123, objectEnd: 125 };

/**
 * Refuses JSON text that would cost too much to parse: nesting beyond 32 levels, objects of more than 1000 fields, more
 * than two million objects and lists. One pass without allocation, done before parsing; it does not check that the text is JSON.
 */
export function withinJsonBounds(text: string): Result<undefined> {
  const commas = new Uint32Array(deepestNesting + 1);
  const inObject = new Uint8Array(deepestNesting + 1);
  let depth = 0;
  let opened = 0;
  for (let i = 0; i < text.length; i += 1) {
    const code = text.charCodeAt(i);
    if (code === sign.quote) {
      i = endOfString(text, i);
    } else if (code === sign.object || code === sign.list) {
      depth += 1;
      opened += 1;
      if (depth > deepestNesting) {
        return tooMuch(`nests more than ${deepestNesting} levels deep. Send the fields of the format only.`);
      }
      if (opened > mostObjects) {
        return tooMuch(`holds more than ${mostObjects} objects and lists. Send the upload in parts.`);
      }
      commas[depth] = 0;
      inObject[depth] = code === sign.object ? 1 : 0;
    } else if (code === sign.objectEnd || code === sign.listEnd) {
      if (depth > 0) depth -= 1;
    } else if (code === sign.comma && inObject[depth] === 1) {
      const before = (commas[depth] ?? 0) + 1;
      commas[depth] = before;
      if (before >= mostFields) {
        return tooMuch(`has an object of more than ${mostFields} fields. Send the fields of the format only.`);
      }
    }
  }
  return accepted(undefined);
}

function endOfString(text: string, start: number): number {
  for (let i = start + 1; i < text.length; i += 1) {
    const code = text.charCodeAt(i);
    if (code === sign.quote) return i;
    if (code === sign.backslash) i += 1;
  }
  return text.length;
}

function tooMuch(what: string): Result<undefined> {
  return refused({ kind: "structure", detail: `The body ${what}` });
}
