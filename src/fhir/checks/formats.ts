import { isLocalDay } from "../../domain/local-day.ts";

/**
 * Formats of the R4 primitive types: the regular expressions and prose of https://hl7.org/fhir/R4/datatypes.html.
 * Every function answers what is wrong, or undefined when nothing is.
 */
type Check = (value: string) => string | undefined;

const longestString = 1_048_576;
const day = "(0[1-9]|1[0-2])(-(0[1-9]|[12]\\d|3[01]))?";
const clock = "([01]\\d|2[0-3]):[0-5]\\d:([0-5]\\d|60)(\\.\\d+)?";
const zone = "(Z|[+-]((0\\d|1[0-3]):[0-5]\\d|14:00))";
const dateShape = new RegExp(`^(?!0000)\\d{4}(-${day})?$`);
const dateTimeShape = new RegExp(`^(?!0000)\\d{4}(-${day}(T${clock}${zone})?)?$`);
const instantShape = new RegExp(`^(?!0000)\\d{4}-\\d\\d-\\d\\dT${clock}${zone}$`);
const timeShape = new RegExp(`^${clock}$`);
const zonelessShape = /^\d{4}-\d\d-\d\dT\d\d(:\d\d(:\d\d(\.\d+)?)?)?$/;

/** "Dates SHALL be valid dates": a shape alone would let 30 February pass. */
function hasRealDay(value: string): boolean {
  return value.length < 10 || isLocalDay(value.slice(0, 10));
}

function noSuchDay(value: string): string {
  return `No calendar has the day ${value.slice(0, 10)}.`;
}

const date: Check = (value) => {
  if (!dateShape.test(value)) return "A date is written YYYY, YYYY-MM or YYYY-MM-DD.";
  return hasRealDay(value) ? undefined : noSuchDay(value);
};

const dateTime: Check = (value) => {
  if (dateTimeShape.test(value)) return hasRealDay(value) ? undefined : noSuchDay(value);
  if (zonelessShape.test(value))
    return "A dateTime with a time has seconds and a zone: add Z or an offset such as +01:00.";
  return "A dateTime is written YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with a zone.";
};

const instant: Check = (value) => {
  if (!instantShape.test(value))
    return "An instant is written YYYY-MM-DDThh:mm:ss with a zone: Z or an offset such as +01:00.";
  return hasRealDay(value) ? undefined : noSuchDay(value);
};

const time: Check = (value) => (timeShape.test(value) ? undefined : "A time is written hh:mm:ss and has no zone.");

const printable: Check = (value) =>
  // biome-ignore lint/suspicious/noControlCharactersInRegex: those that R4 and XML forbid, all but tab and line ends
  /[\u0000-\u0008\u000b\u000c\u000e-\u001f]/.test(value)
    ? "Text has no control characters but tab and line ends. Take them out."
    : undefined;

const string: Check = (value) => {
  const fault = printable(value);
  if (fault !== undefined) return fault;
  if (value.length > longestString) return "Text is longer than 1 MB.";
  return /\S/.test(value) ? undefined : "Text is never empty or blank. Leave the element out.";
};

const uri: Check = (value) => {
  if (value === "") return "An address is never empty. Leave the element out.";
  // biome-ignore lint/suspicious/noControlCharactersInRegex: no address holds one
  return /[\s\u0000-\u001f]/.test(value) ? "An address has no blanks. Write %20 for one." : undefined;
};

const code: Check = (value) =>
  /^\S+( \S+)*$/.test(value) ? string(value) : "A code has no blank at its ends and only single ones inside.";

const shaped =
  (shape: RegExp, detail: string): Check =>
  (value) =>
    shape.test(value) ? undefined : detail;

const base64Binary: Check = (value) => {
  const plain = /\s/.test(value) ? value.replace(/\s+/g, "") : value;
  const whole = plain.length > 0 && plain.length % 4 === 0 && /^[A-Za-z0-9+/]+={0,2}$/.test(plain);
  return whole ? undefined : "This is not base64: groups of four letters, digits, + and /, the last one filled with =.";
};

const checks: Readonly<Record<string, Check>> = {
  base64Binary,
  canonical: uri,
  code,
  date,
  dateTime,
  // "Any string value that does not contain spaces" (https://hl7.org/fhir/R4/element.html#id).
  "element-id": (value) => (/^\S+$/.test(value) ? string(value) : "The id of an element has no blanks."),
  id: shaped(/^[A-Za-z0-9\-.]{1,64}$/, "An id has 1 to 64 letters, digits, hyphens and dots."),
  instant,
  markdown: string,
  oid: shaped(/^urn:oid:[0-2](\.(0|[1-9]\d*))+$/, "An oid is written urn:oid:1.2.3 without leading zeros."),
  string,
  time,
  uri,
  url: uri,
  uuid: shaped(
    /^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$/,
    "A uuid is written urn:uuid: and small hexadecimal digits.",
  ),
  xhtml: printable,
  "http://hl7.org/fhirpath/System.String": string,
};

const highest = 2_147_483_647;

/** Least value of each whole-number type; the greatest is 2147483647 for all. */
const leastOf: Readonly<Record<string, number>> = { integer: -2_147_483_648, unsignedInt: 0, positiveInt: 1 };

function numberFault(type: string, value: number): string | undefined {
  const least = leastOf[type];
  if (least === undefined) return Number.isFinite(value) ? undefined : "The number is too large.";
  const inRange = Number.isInteger(value) && value >= least && value <= highest;
  return inRange ? undefined : `This is a whole number from ${least} to ${highest}.`;
}

/** The JSON type of each primitive (https://hl7.org/fhir/R4/json.html#primitive). */
export function jsonTypeOf(type: string): "string" | "number" | "boolean" {
  if (type === "boolean") return "boolean";
  return type === "decimal" || leastOf[type] !== undefined ? "number" : "string";
}

/** Whether a type is one of R4's primitives. */
export function isPrimitive(type: string): boolean {
  return type === "boolean" || type === "decimal" || Object.hasOwn(leastOf, type) || Object.hasOwn(checks, type);
}

/** What is wrong with a value of a primitive type, its JSON type included; undefined when nothing is. */
export function formatFault(type: string, value: unknown): string | undefined {
  const expected = jsonTypeOf(type);
  if (typeof value !== expected) return `This is a ${type}, in JSON a ${expected}, not ${nameOf(value)}.`;
  if (typeof value === "number") return numberFault(type, value);
  if (typeof value !== "string") return undefined;
  if (!value.isWellFormed()) return "Half of a surrogate pair is no character. Send whole characters.";
  // PostgreSQL stores every character but this one.
  if (value.includes("\u0000")) return "U+0000 cannot be stored. Take it out.";
  return checks[type]?.(value);
}

function nameOf(value: unknown): string {
  if (value === null) return "null";
  return Array.isArray(value) ? "an array" : `a${typeof value === "object" ? "n" : ""} ${typeof value}`;
}
