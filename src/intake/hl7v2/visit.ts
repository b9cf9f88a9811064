import type { ReceivedVisit, Said } from "../../domain/received-person.ts";
import { accepted, type Result, refused } from "../../domain/result.ts";
import { nullValue, type ReadMessage, type Segment } from "./message.ts";
import { noTime } from "./person.ts";
import { identifiersIn, segmentReader } from "./segment-reader.ts";
import { readTime, type TimePlace } from "./time.ts";

/** What PV1 tells of a stay. */
export function readVisit(message: ReadMessage, pv1: Segment, place: TimePlace): Result<ReceivedVisit> {
  const read = segmentReader(message, pv1);
  const times: Record<number, Said<string>> = {};
  for (const field of [44, 45]) {
    const text = read.text(field);
    if (text === "") continue;
    const time = text === nullValue ? null : readTime(text, place)?.text;
    if (time === undefined) return refused(noTime(`PV1-${field}`));
    times[field] = time;
  }
  const patientClass = read.text(2).toUpperCase();
  const [visitNumber] = identifiersIn(read, 19);
  return accepted({
    ...(patientClass === "" ? {} : { patientClass }),
    ...(visitNumber === undefined ? {} : { visitNumber }),
    admittedAt: times[44],
    dischargedAt: times[45],
  });
}
