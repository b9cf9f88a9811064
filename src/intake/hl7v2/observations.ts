import type { ReceivedObservation, ReceivedValue } from "../../domain/received-observation.ts";
import type { ReceivedCode, ReceivedIdentifier } from "../../domain/received-person.ts";
import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { nullValue, type ReadMessage, type Segment, textAt } from "./message.ts";
import { noTime } from "./person.ts";
import { codeIn, segmentReader } from "./segment-reader.ts";
import { type ReadTime, readTime, type TimePlace } from "./time.ts";

/** The measurements of an ORU^R01, and how many OBX only say how the device is built. */
export interface ReadObservations {
  readonly observations: readonly ReceivedObservation[];
  readonly structural: number;
}

/**
 * Reads every OBX under its OBR (HL7 v2.5.1, 7.4; IHE device observations with v2.6 and MDC codes). An OBX without value and
 * without value type names a part of the device and no measurement; the equipment it names holds for those after it. Time and
 * status that an OBX lacks are its OBR's.
 */
export function readObservations(message: ReadMessage, place: TimePlace): Result<ReadObservations> {
  const observations: ReceivedObservation[] = [];
  const refusals: Refusal[] = [];
  let structural = 0;
  let [number, order, device]: [number, Segment | undefined, ReceivedIdentifier | undefined] = [
    0,
    undefined,
    undefined,
  ];
  for (const segment of message.segments) {
    if (segment.name === "OBR") {
      [order, device] = [segment, undefined];
      continue;
    }
    if (segment.name !== "OBX") continue;
    number += 1;
    device = deviceIn(message, segment) ?? device;
    if (isStructural(message, segment)) {
      structural += 1;
      continue;
    }
    const read = readOne(message, segment, { number, order, device, place });
    if (read.ok) observations.push(read.value);
    else refusals.push(...read.refusals);
  }
  if (refusals.length > 0) return refused(...refusals);
  return accepted({ observations, structural });
}

interface Context {
  readonly number: number;
  readonly order: Segment | undefined;
  readonly device: ReceivedIdentifier | undefined;
  readonly place: TimePlace;
}

function isStructural(message: ReadMessage, obx: Segment): boolean {
  return textAt(message, obx, { field: 2 }) === "" && textAt(message, obx, { field: 5 }) === "";
}

function readOne(message: ReadMessage, obx: Segment, context: Context): Result<ReceivedObservation> {
  const read = segmentReader(message, obx);
  const at = `OBX[${context.number}]`;
  const code = codeIn(read, 3);
  if (code.code === undefined && code.text === undefined) {
    return refused({ kind: "required", detail: "OBX-3 must say what was measured.", at: `${at}-3` });
  }
  const observed = observedAt(message, obx, context);
  if (observed === undefined) return refused(noTime(`${at}-14`));
  if (context.device === undefined) {
    const detail = "No OBX-18 names the device that measured. Send its identifier, such as its EUI-64.";
    return refused({ kind: "required", detail, at: `${at}-18` });
  }
  const value = valueIn(message, obx);
  if (value === undefined) {
    const detail =
      "The value does not fit its type (OBX-2), or the type is none of NM, SN, ST, TX, FT, CE, CWE, CNE, IS, ID, DT, TM, DTM, TS, NR.";
    return refused({ kind: "value", detail, at: `${at}-5` });
  }
  const unit = codeIn(read, 6);
  const [instance] = read.each(21, () => identifierOf(message, obx, 21));
  const [subId, range, site] = [read.text(4), read.text(7), codeIn(read, 20)];
  return accepted({
    at,
    code,
    ...(subId === "" ? {} : { subId }),
    value,
    ...(unit.code === undefined && unit.text === undefined ? {} : { unit }),
    ...(range === "" ? {} : { referenceRange: range }),
    interpretations: read.each(8, (repetition) => read.at(8, repetition, 1) || undefined),
    resultStatus: (
      read.text(11) || (context.order ? segmentReader(message, context.order).text(25) : "")
    ).toUpperCase(),
    observed,
    device: context.device,
    ...(instance === undefined ? {} : { instance }),
    ...(site.code === undefined && site.text === undefined ? {} : { bodySite: site }),
  });
}

function observedAt(message: ReadMessage, obx: Segment, { order, place }: Context): ReadTime | undefined {
  const own = textAt(message, obx, { field: 14 });
  if (own !== "" && own !== nullValue) return readTime(own, place);
  return order === undefined ? undefined : readTime(textAt(message, order, { field: 7 }), place);
}

function deviceIn(message: ReadMessage, obx: Segment): ReceivedIdentifier | undefined {
  return identifierOf(message, obx, 18);
}

/** An EI: id, namespace, universal id and its kind. An EUI-64 stands in the first part, or in the universal id alone. */
function identifierOf(message: ReadMessage, segment: Segment, field: number): ReceivedIdentifier | undefined {
  const [id = "", namespace = "", universalId = "", kind = ""] = [1, 2, 3, 4].map((component) =>
    textAt(message, segment, { field, component }),
  );
  const isEui = kind.toUpperCase() === "EUI-64";
  const value = id !== "" ? id : isEui ? universalId : "";
  if (value === "" || value === nullValue) return undefined;
  return {
    value: isEui ? value.toUpperCase().replace(/[^0-9A-F]/g, "") || value : value,
    authority: {
      ...(namespace === "" ? {} : { namespace }),
      ...(universalId === "" ? {} : { universalId }),
      ...(kind === "" ? {} : { universalIdType: kind }),
    },
    at: `${segment.name}-${field}`,
  };
}

const numberPattern = /^[+-]?\d{1,15}(\.\d{1,15})?$/;

/** Undefined where the text is no value of its type. */
function valueIn(message: ReadMessage, obx: Segment): ReceivedValue | undefined {
  const part = (component: number) => textAt(message, obx, { field: 5, component });
  const repetitions = obx.fields[5] ?? [];
  const first = part(1);
  if (repetitions.every((components) => components.every((one) => one.trim() === "")) || first === nullValue) {
    return { kind: "none" };
  }
  switch (textAt(message, obx, { field: 2 })) {
    case "NM":
      return numberPattern.test(first) ? { kind: "number", value: Number(first) } : undefined;
    case "SN":
      return structuredNumber(part(1), part(2), part(3), part(4));
    case "ST":
    case "TX":
    case "FT":
      return {
        kind: "text",
        text: repetitions.map((_, i) => textAt(message, obx, { field: 5, repetition: i + 1 })).join("\n"),
      };
    case "CE":
    case "CWE":
    case "CNE":
    case "CF":
    case "IS":
    case "ID":
      return { kind: "code", code: codeOf(part(1), part(2), part(3)) };
    case "DT":
    case "TS":
    case "DTM":
    case "TM":
      return { kind: "time", text: first };
    case "NR":
      return rangeOf(part(1), part(2));
    default:
      return undefined;
  }
}

function codeOf(code: string, text: string, system: string): ReceivedCode {
  return {
    ...(code === "" ? {} : { code }),
    ...(text === "" ? {} : { text }),
    ...(system === "" ? {} : { system }),
  };
}

function structuredNumber(comparator: string, low: string, separator: string, high: string): ReceivedValue | undefined {
  if (separator === "-") return rangeOf(low, high);
  if (separator !== "" || !numberPattern.test(low)) {
    const text = [comparator, low, separator, high].filter((part) => part !== "").join(" ");
    return text === "" ? undefined : { kind: "text", text };
  }
  const isComparator = ["<", "<=", ">=", ">"].includes(comparator);
  if (comparator !== "" && comparator !== "=" && !isComparator) return { kind: "text", text: `${comparator} ${low}` };
  return { kind: "number", value: Number(low), ...(isComparator ? { comparator } : {}) };
}

function rangeOf(low: string, high: string): ReceivedValue | undefined {
  const ends = [low, high].map((one) => (one === "" ? undefined : numberPattern.test(one) ? Number(one) : Number.NaN));
  const [from, to] = ends;
  if (ends.some((one) => Number.isNaN(one)) || (from === undefined && to === undefined)) return undefined;
  return { kind: "range", ...(from === undefined ? {} : { low: from }), ...(to === undefined ? {} : { high: to }) };
}
