import type {
  ReceivedAddress,
  ReceivedCode,
  ReceivedIdentifier,
  ReceivedName,
  ReceivedTelecom,
  Said,
} from "../../domain/received-person.ts";
import { nullValue, type ReadMessage, repetitionsOf, type Segment, textAt } from "./message.ts";

/** Reads the fields of one segment; repetitions, components and subcomponents are counted from 1. */
export interface SegmentReader {
  readonly name: string;
  /** A component of the first repetition, the first one unless another is named. */
  text(field: number, component?: number): string;
  at(field: number, repetition: number, component: number, subcomponent?: number): string;
  /** What `read` makes of each repetition. */
  each<T>(field: number, read: (repetition: number) => T | undefined): T[];
  /** Null where the field is to be emptied, undefined where it says nothing. */
  said<T>(field: number, read: () => T): Said<T>;
}

/** Opens one segment of a message. */
export function segmentReader(message: ReadMessage, segment: Segment): SegmentReader {
  const at = (field: number, repetition: number, component: number, subcomponent = 1) =>
    textAt(message, segment, { field, repetition, component, subcomponent });
  return {
    name: segment.name,
    at,
    text: (field, component = 1) => at(field, 1, component),
    each: (field, read) =>
      Array.from({ length: repetitionsOf(segment, field) }, (_, i) => read(i + 1)).flatMap((one) => one ?? []),
    said: (field, read) => {
      if (at(field, 1, 1) === nullValue) return null;
      return repetitionsOf(segment, field) === 0 ? undefined : read();
    },
  };
}

function present(text: string): string | undefined {
  return text === "" || text === nullValue ? undefined : text;
}

/** Members that are there, for types whose members are optional. */
function given<T extends object>(members: { readonly [K in keyof T]?: T[K] | undefined }): T {
  return Object.fromEntries(Object.entries(members).filter(([, value]) => value !== undefined)) as T;
}

/** CX: the number, who gave it, and its type. */
export function identifiersIn(read: SegmentReader, field: number): ReceivedIdentifier[] {
  return read.each(field, (repetition) => {
    const value = present(read.at(field, repetition, 1));
    if (value === undefined) return undefined;
    const authority = (part: number) => present(read.at(field, repetition, 4, part));
    return given<ReceivedIdentifier>({
      value,
      authority: given<ReceivedIdentifier["authority"]>({
        namespace: authority(1),
        universalId: authority(2),
        universalIdType: authority(3),
      }),
      typeCode: present(read.at(field, repetition, 5)),
      at: `${read.name}-${field}[${repetition}]`,
    });
  });
}

/** XPN. Further given names stand together in one component. */
export function namesIn(read: SegmentReader, field: number): ReceivedName[] {
  return read.each(field, (repetition) => {
    const component = (which: number) => present(read.at(field, repetition, which));
    const [family, first, further] = [component(1), component(2), component(3)];
    if (family === undefined && first === undefined) return undefined;
    return given<ReceivedName>({
      kind: component(7),
      family,
      given: [first, ...(further?.split(/\s+/) ?? [])].flatMap((one) => one ?? []),
      suffix: component(4),
      prefix: component(5),
    });
  });
}

/** XAD. */
export function addressesIn(read: SegmentReader, field: number): ReceivedAddress[] {
  return read.each(field, (repetition) => {
    const component = (which: number) => present(read.at(field, repetition, which));
    const lines = [component(1), component(2)].flatMap((line) => line ?? []);
    const address = given<ReceivedAddress>({
      lines,
      city: component(3),
      state: component(4),
      postalCode: component(5),
      country: component(6),
      kind: component(7),
      district: component(9),
    });
    return lines.length === 0 && Object.keys(address).length === 1 ? undefined : address;
  });
}

/** XTN: the number as one text (12, or 1 of old), in parts (5 to 8), or the address of mail (4). */
export function telecomsIn(
  read: SegmentReader,
  field: number,
  fieldUse: ReceivedTelecom["fieldUse"],
): ReceivedTelecom[] {
  return read.each(field, (repetition) => {
    const component = (which: number) => present(read.at(field, repetition, which));
    const [country, area, local, extension] = [5, 6, 7, 8].map(component);
    const parts = [country && `+${country}`, area, local, extension && `ext. ${extension}`];
    const number = parts.filter((part) => part !== undefined).join(" ");
    const mail = component(4);
    const value = mail ?? component(12) ?? component(1) ?? present(number);
    if (value === undefined) return undefined;
    const equipment = mail === undefined ? component(3) : "Internet";
    return given<ReceivedTelecom>({ value, use: component(2), equipment, fieldUse });
  });
}

/** CE, CWE: code, text and coding system. */
export function codeIn(read: SegmentReader, field: number): ReceivedCode {
  const component = (which: number) => present(read.text(field, which));
  return given<ReceivedCode>({ code: component(1), text: component(2), system: component(3) });
}
