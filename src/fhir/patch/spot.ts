import { type ElementShape, isPrimitive } from "./element.ts";
import { childOf, isObject, withMember, withoutMember } from "./tree.ts";

/** Where an element stands or would stand: all its repetitions under one JSON member of one parent. */
export interface Place {
  readonly parent: Spot;
  readonly element: ElementShape;
  readonly type: string;
  readonly member: string;
}

/** One element in a resource; without a place it is the resource itself. */
export interface Spot {
  readonly type: string;
  readonly place?: Place;
  /** 0 for an element that does not repeat. */
  readonly index: number;
}

/** A value and, of a primitive one, the object with its id and extensions that JSON keeps in `_name`. */
export interface Item {
  readonly main?: unknown;
  readonly beside?: unknown;
}

/** The object in which the children of a spot stand; undefined where it has none. */
export function contentOf(resource: unknown, spot: Spot): unknown {
  if (spot.place === undefined) return resource;
  const item = itemAt(resource, spot.place, spot.index);
  return isPrimitive(spot.type) ? item?.beside : item?.main;
}

/** How many items stand at a place; 0 where the element is absent. */
export function countAt(resource: unknown, place: Place): number {
  const { main, beside } = membersAt(resource, place);
  if (!place.element.isArray) return main === undefined && beside === undefined ? 0 : 1;
  return Math.max(lengthOf(main), lengthOf(beside));
}

/** One item of a place, without a look at the others; undefined beyond the last. */
export function itemAt(resource: unknown, place: Place, index: number): Item | undefined {
  const { main, beside } = membersAt(resource, place);
  if (!place.element.isArray) {
    return index > 0 || (main === undefined && beside === undefined) ? undefined : itemOf(main, beside);
  }
  if (index >= Math.max(lengthOf(main), lengthOf(beside))) return undefined;
  return itemOf(childOf(main, String(index)), childOf(beside, String(index)));
}

/** What stands at a place, in order; none where the element is absent. */
export function itemsOf(resource: unknown, place: Place): readonly Item[] {
  const { main, beside } = membersAt(resource, place);
  if (!place.element.isArray) return main === undefined && beside === undefined ? [] : [itemOf(main, beside)];
  const mains = Array.isArray(main) ? main : [];
  const besides = Array.isArray(beside) ? beside : [];
  const length = Math.max(mains.length, besides.length);
  return Array.from({ length }, (_, i) => itemOf(mains[i], besides[i]));
}

function membersAt(resource: unknown, place: Place): Item {
  const owner = contentOf(resource, place.parent);
  return { main: childOf(owner, place.member), beside: childOf(owner, `_${place.member}`) };
}

function lengthOf(list: unknown): number {
  return Array.isArray(list) ? list.length : 0;
}

/** JSON fills a list with null where only the other of the two has something. */
function itemOf(main: unknown, beside: unknown): Item {
  return { ...(main == null ? {} : { main }), ...(beside == null ? {} : { beside }) };
}

/**
 * The resource with other items at a place. Items with nothing in them are left out, and so is every object that is
 * empty without them: FHIR has no empty elements (https://hl7.org/fhir/R4/json.html).
 */
export function withItems(resource: unknown, place: Place, items: readonly Item[]): unknown {
  const kept = items.filter((item) => item.main !== undefined || item.beside !== undefined);
  const { isArray } = place.element;
  const owner = contentOf(resource, place.parent) ?? {};
  const mains = kept.map((item) => item.main);
  const besides = kept.map((item) => item.beside);
  const changed = withList(withList(owner, place.member, mains, isArray), `_${place.member}`, besides, isArray);
  return withContent(resource, place.parent, changed);
}

function withList(owner: unknown, member: string, values: readonly unknown[], isArray: boolean): unknown {
  if (values.every((value) => value === undefined)) return withoutMember(owner, member);
  return withMember(owner, member, isArray ? values.map((value) => value ?? null) : values[0]);
}

/** The resource with other content in a spot; an empty object takes the element away unless it has a value. */
export function withContent(resource: unknown, spot: Spot, content: unknown): unknown {
  if (spot.place === undefined) return content;
  const kept = isObject(content) && Object.keys(content).length === 0 ? undefined : content;
  const items = itemsOf(resource, spot.place);
  const old = items[spot.index];
  const item = isPrimitive(spot.type) ? itemOf(old?.main, kept) : itemOf(kept, undefined);
  return withItems(resource, spot.place, items.with(spot.index, item));
}
