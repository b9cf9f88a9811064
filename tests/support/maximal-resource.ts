import { type InternalSchemaElement, tryGetDataType } from "@medplum/core";
import { codesOf } from "../../src/fhir/terminology/value-set-codes.ts";
import { droppedByRules, takesTurns, valuesByRules } from "./maximal-rules.ts";
import { minimalResource } from "./minimal-resource.ts";

type Members = Record<string, unknown>;

/** `rawJSON` is in Node 26 and not yet in TypeScript's library. */
const { rawJSON } = JSON as typeof JSON & { rawJSON(text: string): unknown };

// Decimals whose text means something: "the precision of the decimal value has significance" (datatypes.html#decimal).
const decimals = ["1.50", "1e3", "0.010", "100", "2.0E+2", "12345678901234567890.12345"];

/** Values of each primitive, as many as a list with two entries and a few variants can use. */
const primitives: Readonly<Record<string, readonly unknown[]>> = {
  base64Binary: ["aGVsbG8=", "d29ybGQ="],
  boolean: [true, false],
  canonical: ["https://example.org/fhir/canonical|1.0", "https://example.org/fhir/other"],
  code: [],
  date: ["2026-02-28", "2026-02", "2026"],
  dateTime: ["2026-02-01T10:00:00.120+01:00", "2026-02-01", "2026-02", "2026"],
  id: ["an-id.1", "B"],
  instant: ["2026-02-01T10:00:00.1200Z", "2026-02-01T10:00:00-14:00"],
  integer: [-7, 0],
  markdown: ["*One*\n\n* list", "Größe ≥ 5 µm"],
  oid: ["urn:oid:2.16.840.1.113883.3.1", "urn:oid:1.2.3"],
  positiveInt: [1, 2147483647],
  string: [' Text with "quotes", \\ and a tab\t', "Žluťoučký kůň 🫁"],
  time: ["10:00:00", "23:59:59.999"],
  unsignedInt: [0, 2147483647],
  uri: ["https://example.org/uri?a=b#c", "urn:x-example:1"],
  url: ["https://example.org/url", "mailto:nobody@example.org"],
  uuid: ["urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "urn:uuid:00000000-0000-4000-8000-000000000000"],
  xhtml: ['<div xmlns="http://www.w3.org/1999/xhtml"><p>Text &amp; <b>more</b></p></div>'],
};

/** How many ids one filling has given. */
interface Filling {
  ids: number;
}

// Deep enough for a backbone in a backbone with its data types; beyond stand primitives and what is required.
const deepestFull = 3;

/**
 * An instance of an R4 type with every element its StructureDefinition has, as JSON text: choice elements take the type
 * whose turn it is by `variant`, codes come from the value sets, lists of the resource have two entries, primitives
 * of the resource have extensions, decimals are written as people write them. What invariants forbid stands in
 * maximal-rules.ts. The definitions must be loaded (`createDefinitions`).
 */
export function maximalResource(type: string, variant: number, id: string): string {
  const filling: Filling = { ids: 0 };
  return JSON.stringify({ resourceType: type, id, ...contentOf(filling, type, 0, variant) });
}

/** How many variants there are until every choice of a type's own elements has had its turn. */
export function variantsOf(type: string): number {
  let most = 2;
  const seen = new Set<string>();
  const visit = (name: string) => {
    if (seen.has(name)) return;
    seen.add(name);
    for (const [path, element] of Object.entries(tryGetDataType(name)?.elements ?? {})) {
      if (path.endsWith("[x]")) most = Math.max(most, element.type.length);
      for (const { code } of element.type) if (code.startsWith(type)) visit(code);
    }
  };
  visit(type);
  // Where rules take turns as well, two rounds bring every choice together with its turn.
  return takesTurns(type) ? most * 2 : most;
}

function contentOf(filling: Filling, type: string, depth: number, turn: number): Members {
  const schema = tryGetDataType(type);
  if (schema === undefined) throw new Error(`no definition of ${type} is loaded`);
  const dropped = droppedByRules(type, turn);
  const content: Members = {};
  for (const [path, element] of Object.entries(schema.elements)) {
    const name = path.replace("[x]", "");
    const isChoice = path !== name;
    const code = element.type[isChoice ? turn % element.type.length : 0]?.code ?? "";
    if (element.max === 0 || dropped.has(name) || !isWanted(name, element, code, depth)) continue;
    const key = isChoice ? `${name}${code.charAt(0).toUpperCase()}${code.slice(1)}` : name;
    const count = element.isArray && depth === 0 && element.max > 1 ? 2 : 1;
    const values = Array.from({ length: count }, (_, i) => filledValue(filling, name, code, element, depth, turn + i));
    content[key] = element.isArray ? values : values[0];
    if (depth === 0 && isPrimitive(code)) {
      const beside = { id: nextId(filling), extension: [{ url: "https://example.org/beside", valueBoolean: true }] };
      content[`_${key}`] = element.isArray ? [null, beside].slice(-count) : beside;
    }
  }
  Object.assign(content, valuesByRules[type]?.(turn, content));
  // Where the nesting ends, what must be there and has no primitives still says something.
  return Object.keys(content).length > 0
    ? content
    : { extension: [{ url: "https://example.org/end", valueBoolean: true }] };
}

function isPrimitive(code: string): boolean {
  return code === "decimal" || Object.hasOwn(primitives, code);
}

function isWanted(name: string, element: InternalSchemaElement, code: string, depth: number): boolean {
  // The id of a resource is given to it; the elements of the resource have ids and extensions, what is in them has none.
  if (name === "id") return depth === 1;
  if (name === "extension" || name === "modifierExtension") return depth < 2;
  return element.min > 0 || depth < deepestFull || (depth === deepestFull && isPrimitive(code));
}

function nextId(filling: Filling): string {
  filling.ids += 1;
  return `e${filling.ids}`;
}

function filledValue(
  filling: Filling,
  name: string,
  code: string,
  element: InternalSchemaElement,
  depth: number,
  turn: number,
): unknown {
  // que-2: link ids are unique
  if (name === "id" || name === "linkId") return nextId(filling);
  if (name === "contained") {
    return { ...minimalResource("Basic"), id: nextId(filling), subject: { reference: "#" } };
  }
  if (tryGetDataType(code)?.kind === "resource") return minimalResource(code === "Resource" ? "Basic" : code);
  if (code === "Extension") return extensionOf(filling, depth, turn);
  const bound = boundCode(element, turn);
  if (code === "decimal") return rawJSON(decimals[turn % decimals.length] ?? "1");
  if (code === "code" && bound !== undefined) return bound.code;
  if (code === "code" && element.binding?.valueSet?.includes("mimetypes")) return "text/plain; charset=utf-8";
  if (code === "code" && element.binding?.valueSet?.includes("languages")) return "en-GB";
  // Unbound codes name things, and names are often asked to be distinct.
  if (code === "code") return `code ${nextId(filling)}`;
  const known = primitives[code];
  if (known !== undefined) return known[turn % known.length];
  if (code === "CodeableConcept") return { coding: [codingOf(bound)], text: "As the author put it" };
  if (code === "Coding") return codingOf(bound);
  if (code === "Reference") return referenceOf(element, depth, turn);
  if (code === "Quantity") return quantityOf(element, turn, bound);
  return contentOf(filling, code, depth + 1, turn);
}

/** An extension with a value; of a resource itself the value types take turns, those with invariants of their own aside. */
function extensionOf(filling: Filling, depth: number, turn: number): Members {
  const url = "https://example.org/extension";
  if (depth > 0) return { url, valueDecimal: rawJSON("0.50") };
  return {
    id: nextId(filling),
    url,
    ...(turn % 2 === 0 ? { valueRatio: ratio } : { extension: [{ url: "part", valueCode: "a" }] }),
  };
}

const ratio = { numerator: { value: rawJSON("1.0") }, denominator: { value: rawJSON("1e1") } };

interface BoundCode {
  readonly system: string;
  readonly code: string;
  readonly display: string;
}

function boundCode(element: InternalSchemaElement, turn: number): BoundCode | undefined {
  const codes = codesOf(element.binding?.valueSet?.split("|")[0] ?? "");
  const all = [...(codes ?? [])].flatMap(([system, ofSystem]) =>
    [...ofSystem].map(([code, display]) => ({ system, code, display })),
  );
  return all[turn % all.length];
}

function codingOf(bound: BoundCode | undefined): Members {
  const { system, code, display } = bound ?? { system: "https://example.org/codes", code: "c-1", display: "" };
  return { system, version: "1.0", code, display: display === "" ? "Words" : display, userSelected: true };
}

function referenceOf(element: InternalSchemaElement, depth: number, turn: number): Members {
  const targets = element.type
    .flatMap((one) => one.targetProfile ?? [])
    .map((url) => url.split("/").at(-1) ?? "")
    .filter((name) => name !== "Resource");
  const type = targets[turn % targets.length] ?? "Patient";
  const identifier = { system: "https://example.org/numbers", value: "7", assigner: { display: "Somebody" } };
  return { reference: `${type}/not-here`, type, display: "Something", ...(depth < 2 ? { identifier } : {}) };
}

function quantityOf(element: InternalSchemaElement, turn: number, bound: BoundCode | undefined): Members {
  const isSimple = element.type.some((one) => one.profile?.some((url) => url.endsWith("SimpleQuantity")));
  const { system, code } = bound ?? { system: "http://unitsofmeasure.org", code: "cm[H2O]" };
  const value = rawJSON(decimals[turn % decimals.length] ?? "1");
  return { value, ...(isSimple ? {} : { comparator: "<=" }), unit: "as written", system, code };
}
