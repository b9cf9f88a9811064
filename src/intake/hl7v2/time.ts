import { isLocalDay, wallClockMs } from "../../domain/local-day.ts";

/** A point in time as a message told it. */
export interface ReadTime {
  /** As a FHIR date or dateTime, no more exact than it was told. */
  readonly text: string;
  /** Its day as told, or the year or month where no more was. */
  readonly date: string;
  /** The instant, or the first one of the day, month or year. */
  readonly ms: number;
}

/** Where a time without an offset of its own is told. */
export interface TimePlace {
  /** IANA zone of the sender. */
  readonly zone: string;
  /** Offset of MSH-7, such as +0100, which holds for the whole message. */
  readonly offset?: string;
}

const pattern =
  /^(?<year>\d{4})(?:(?<month>\d\d)(?:(?<day>\d\d)(?:(?<hour>\d\d)(?:(?<minute>\d\d)(?:(?<second>\d\d)(?:\.(?<fraction>\d{1,4}))?)?)?)?)?)?(?<offset>[+-]\d{4})?$/;

/** The offset at the end of a time; undefined without one. */
export function offsetOf(text: string): string | undefined {
  return pattern.exec(text)?.groups?.offset;
}

/** Reads `YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ]` (HL7 v2.5.1, 2.A.22); undefined where the text is no such time. */
export function readTime(text: string, place: TimePlace): ReadTime | undefined {
  const groups = pattern.exec(text)?.groups;
  if (groups === undefined) return undefined;
  const { year = "", month, day, hour, minute = "00", second = "00", fraction } = groups;
  const date = [year, month, day].filter((part) => part !== undefined).join("-");
  const fullDay = `${year}-${month ?? "01"}-${day ?? "01"}`;
  if (!isLocalDay(fullDay) || year === "0000") return undefined;
  if (hour === undefined) return { text: date, date, ms: wallClockMs(fullDay, 0, place.zone, "earlier") };
  if (Number(hour) > 23 || Number(minute) > 59 || Number(second) > 59) return undefined;
  const offset = groups.offset ?? place.offset;
  const milliseconds = Number((fraction ?? "").padEnd(3, "0").slice(0, 3));
  if (offset !== undefined) {
    const clock = `${fullDay}T${hour}:${minute}:${second}${fraction === undefined ? "" : `.${String(milliseconds).padStart(3, "0")}`}`;
    const told = `${clock}${offset.slice(0, 3)}:${offset.slice(3)}`;
    const ms = Date.parse(told);
    return Number.isNaN(ms) ? undefined : { text: told, date, ms };
  }
  const atMinute = wallClockMs(fullDay, Number(hour) * 60 + Number(minute), place.zone, "earlier");
  const ms = atMinute + Number(second) * 1_000 + milliseconds;
  return { text: new Date(ms).toISOString(), date, ms };
}
