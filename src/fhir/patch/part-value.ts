import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { capital, type ElementShape, elementOf, isPrimitive, memberOf } from "./element.ts";
import { noElement } from "./locate.ts";
import type { Item } from "./spot.ts";
import { childOf, isObject, measure, mostMembers } from "./tree.ts";

/** A value built for an element, the type it has, and the JSON member it goes to. */
export interface BuiltValue {
  readonly type: string;
  readonly member: string;
  readonly item: Item;
}

/**
 * The value that a part gives an element: its value[x], whose type must be one that the element has ("Servers SHALL
 * return an error if the type is wrong", https://hl7.org/fhir/R4/fhirpatch.html), its resource, or parts for an element
 * whose type cannot be a value[x], such as Observation.component. Numbers stay as written.
 */
export function builtValue(part: unknown, element: ElementShape): Result<BuiltValue> {
  if (!isObject(part)) return refused(wrong("A part is a JSON object."));
  const members = Object.keys(part).filter((name) => /^_?value[A-Z]/.test(name));
  const suffixes = new Set(members.map((name) => name.replace(/^_?value/, "")));
  const sources = suffixes.size + Number(Object.hasOwn(part, "part")) + Number(Object.hasOwn(part, "resource"));
  if (sources !== 1) return refused(wrong(`Give ${element.name} one value[x], or parts, or a resource.`));
  const [suffix] = suffixes;
  if (suffix !== undefined) return typedValue(part, element, suffix);
  if (Object.hasOwn(part, "resource")) {
    if (!element.types.includes("Resource")) return refused(wrongType(element, "a resource"));
    if (measure(part).widest > mostMembers) return refused(tooWide);
    return accepted({ type: "Resource", member: element.name, item: { main: part.resource } });
  }
  return fromParts(part.part, element);
}

function typedValue(part: object, element: ElementShape, suffix: string): Result<BuiltValue> {
  const type = element.types.find((one) => capital(one) === suffix || (one === "xhtml" && suffix === "String"));
  if (type === undefined) return refused(wrongType(element, `value${suffix}`));
  const main = childOf(part, `value${suffix}`) ?? undefined;
  const beside = isPrimitive(type) ? (childOf(part, `_value${suffix}`) ?? undefined) : undefined;
  if (measure(part).widest > mostMembers) return refused(tooWide);
  if (main === undefined && beside === undefined) return refused(wrong(`value${suffix} is empty.`));
  const item = { ...(main === undefined ? {} : { main }), ...(beside === undefined ? {} : { beside }) };
  return accepted({ type, member: memberOf(element, type), item });
}

function fromParts(parts: unknown, element: ElementShape): Result<BuiltValue> {
  const [type, ...others] = element.types;
  if (type === undefined || others.length > 0 || isPrimitive(type) || type === "Resource") {
    return refused(wrongType(element, "parts"));
  }
  if (!Array.isArray(parts) || parts.length === 0) return refused(wrong(`Give ${element.name} at least one part.`));
  const lists = new Map<string, { items: Item[]; isArray: boolean }>();
  const given = new Set<string>();
  for (const part of parts) {
    const name = String(childOf(part, "name"));
    const child = elementOf(type, name);
    if (child === undefined) return refused(noElement(type, name));
    if (given.has(name) && !child.isArray) return refused(wrong(`${type}.${name} does not repeat. Give it once.`));
    given.add(name);
    const built = builtValue(part, child);
    if (!built.ok) return built;
    const list = lists.get(built.value.member) ?? { items: [], isArray: child.isArray };
    list.items.push(built.value.item);
    lists.set(built.value.member, list);
  }
  const members = [...lists].flatMap(([member, { items, isArray }]) => membersOf(member, items, isArray));
  return accepted({ type, member: element.name, item: { main: Object.fromEntries(members) } });
}

function membersOf(member: string, items: readonly Item[], isArray: boolean): [string, unknown][] {
  const mains = items.map((item) => item.main);
  const besides = items.map((item) => item.beside);
  return [
    [member, mains],
    [`_${member}`, besides],
  ].flatMap(([name, values]) => {
    const list = values as unknown[];
    if (list.every((value) => value === undefined)) return [];
    return [[name as string, isArray ? list.map((value) => value ?? null) : list[0]] as [string, unknown]];
  });
}

function wrongType(element: ElementShape, given: string): Refusal {
  const types = element.types.length > 5 ? "any data type" : element.types.join(" or ");
  return wrong(`${element.name} takes ${types}, not ${given.slice(0, 64)}.`);
}

const tooWide = wrong(`No object of FHIR has more than ${mostMembers} members.`);

function wrong(detail: string): Refusal {
  return { kind: "value", detail, status: 422 };
}
