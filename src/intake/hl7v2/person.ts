import type { ReceivedIdentifier, ReceivedPerson, ReceivedTelecom, Said } from "../../domain/received-person.ts";
import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { nullValue, type ReadMessage, type Segment } from "./message.ts";
import {
  addressesIn,
  codeIn,
  identifiersIn,
  namesIn,
  type SegmentReader,
  segmentReader,
  telecomsIn,
} from "./segment-reader.ts";
import { readTime, type TimePlace } from "./time.ts";

/** What PID tells of a person; refused where a date in it is none, for an invented one would do harm. */
export function readPerson(message: ReadMessage, pid: Segment, place: TimePlace): Result<ReceivedPerson> {
  const read = segmentReader(message, pid);
  const refusals: Refusal[] = [];
  const timeAt = (field: number): Said<{ text: string; date: string }> => {
    const text = read.text(field);
    if (text === "") return undefined;
    if (text === nullValue) return null;
    const time = readTime(text, place);
    if (time !== undefined) return time;
    refusals.push(noTime(`PID-${field}`));
    return undefined;
  };
  const birth = timeAt(7);
  const died = timeAt(29);
  const deathIndicator = read.text(30).toUpperCase();
  if (refusals.length > 0) return refused(...refusals);
  const birthText = read.text(7).replace(/[+-]\d{4}$/, "");
  return accepted({
    identifiers: [...identifiersIn(read, 2), ...identifiersIn(read, 3), ...identifiersIn(read, 4)],
    names: read.said(5, () => [...namesIn(read, 5), ...namesIn(read, 9)]),
    birth: birth && { date: birth.date, ...(birthText.length > 8 ? { dateTime: birth.text } : {}) },
    sex: read.said(8, () => read.text(8).toUpperCase()),
    addresses: read.said(11, () => addressesIn(read, 11)),
    telecoms: telecomsOf(read),
    language: read.said(15, () => codeIn(read, 15)),
    maritalStatus: read.said(16, () => codeIn(read, 16)),
    diedAt: died === null ? null : died?.text,
    isDead: deathIndicator === "" ? undefined : deathIndicator === nullValue ? null : deathIndicator === "Y",
  });
}

/** Numbers stand in three fields; they are taken away only where one says so and none gives any. */
function telecomsOf(read: SegmentReader): Said<ReceivedTelecom[]> {
  const fields = [
    [13, "home"],
    [14, "work"],
    [40, "none"],
  ] as const;
  const all = fields.flatMap(([field, use]) => (read.text(field) === nullValue ? [] : telecomsIn(read, field, use)));
  if (all.length > 0) return all;
  return fields.some(([field]) => read.text(field) === nullValue) ? null : undefined;
}

/** Numbers that MRG-1 (or PID-3 of a change) says are to go out of use. */
export function readIdentifiers(message: ReadMessage, segment: Segment, field: number): ReceivedIdentifier[] {
  return identifiersIn(segmentReader(message, segment), field);
}

/** That a field of a message is no date or time. */
export function noTime(at: string): Refusal {
  const detail = `${at} is no date or time of HL7 v2 (YYYYMMDD or YYYYMMDDHHMMSS+ZZZZ). Correct it and send the message again.`;
  return { kind: "value", detail, at };
}
