import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { elementOf, isPrimitive } from "./element.ts";
import { type FhirPathOperation, readFhirPathOperations } from "./fhirpath-operation.ts";
import { identityRefusal } from "./identity.ts";
import { locate, locateList, noElement, notOne, type Scene } from "./locate.ts";
import { builtValue } from "./part-value.ts";
import { contentOf, itemsOf, type Place, type Spot, withContent, withItems } from "./spot.ts";
import { deepestLevel, measure, withMember, withoutMember } from "./tree.ts";

/** `where` criteria that one patch may evaluate; each takes some microseconds. Our own bound. */
const mostCriteria = 20_000;

/** Elements that all paths of one patch may pass, for instance 1,000 paths through a list of 1,000. Our own bound. */
const mostElements = 1_000_000;

/**
 * A resource after a FHIRPath Patch (https://hl7.org/fhir/R4/fhirpatch.html), `exact` and `parameters` being trees with
 * numbers as written; both stay as they are. A malformed patch or path is refused with 400, a path that leads to none
 * or to several where one is needed, or a value of a wrong type, with 422, a change of id with 400. Deleting what is
 * not there is no error. All operations or none. Whether the result is a valid resource is for the caller to check.
 */
export function applyFhirPathPatch(exact: unknown, parameters: unknown): Result<unknown> {
  const read = readFhirPathOperations(parameters);
  if (!read.ok) return read;
  const budget = { elements: mostElements, criteria: mostCriteria };
  let resource = exact;
  for (const [i, operation] of read.value.entries()) {
    const next = applied({ resource, budget }, operation);
    if (!next.ok) return refused(...next.refusals.map((one) => ({ ...one, at: `Parameters.parameter[${i}]` })));
    resource = next.value;
  }
  if (measure(resource).levels > deepestLevel) {
    return refused(processing(`The result would be nested deeper than ${deepestLevel} levels. Flatten it.`));
  }
  const changed = identityRefusal(exact, resource);
  return changed === undefined ? accepted(resource) : refused(changed);
}

function applied(scene: Scene, operation: FhirPathOperation): Result<unknown> {
  switch (operation.type) {
    case "add":
      return added(scene, operation);
    case "insert":
      return inserted(scene, operation);
    case "delete":
      return deleted(scene, operation.path);
    case "replace":
      return replaced(scene, operation);
    case "move":
      return moved(scene, operation);
  }
}

type Operation<Type> = Extract<FhirPathOperation, { type: Type }>;

function added(scene: Scene, { path, name, value }: Operation<"add">): Result<unknown> {
  const parent = locateOne(scene, path);
  if (!parent.ok) return parent;
  const element = elementOf(parent.value.type, name);
  if (element === undefined || (isPrimitive(parent.value.type) && name === "value")) {
    return refused(noElement(parent.value.type, name));
  }
  const built = builtValue(value, element);
  if (!built.ok) return built;
  if (!element.isArray) {
    const there = locate(scene, `${path}.${name}`);
    if (!there.ok) return there;
    if (there.value.length > 0) {
      return refused(processing(`${element.name} is there already and does not repeat. Use replace.`));
    }
  }
  const place: Place = { parent: parent.value, element, type: built.value.type, member: built.value.member };
  const items = itemsOf(scene.resource, place);
  return accepted(withItems(scene.resource, place, [...items, built.value.item]));
}

function inserted(scene: Scene, { path, index, value }: Operation<"insert">): Result<unknown> {
  const place = locateList(scene, path);
  if (!place.ok) return place;
  const items = itemsOf(scene.resource, place.value);
  if (index > items.length) return refused(outside("index", items.length));
  const built = builtValue(value, place.value.element);
  if (!built.ok) return built;
  return accepted(withItems(scene.resource, place.value, items.toSpliced(index, 0, built.value.item)));
}

function deleted(scene: Scene, path: string): Result<unknown> {
  const found = locate(scene, path);
  if (!found.ok) return found;
  const [spot, ...more] = found.value;
  if (spot === undefined) return accepted(scene.resource);
  if (more.length > 0) return refused(notOne(path, found.value.length));
  if (spot.place === undefined) return refused(wholeResource);
  const items = itemsOf(scene.resource, spot.place);
  return accepted(withItems(scene.resource, spot.place, items.toSpliced(spot.index, 1)));
}

function replaced(scene: Scene, { path, value }: Operation<"replace">): Result<unknown> {
  const found = locateOne(scene, path);
  if (!found.ok) return found;
  const { place, index } = found.value;
  if (place === undefined) return refused(wholeResource);
  const built = builtValue(value, place.element);
  if (!built.ok) return built;
  const { member, item, type } = built.value;
  if (member === place.member) {
    return accepted(withItems(scene.resource, place, itemsOf(scene.resource, place).with(index, item)));
  }
  // Another type of a choice stands under another member.
  const owner = contentOf(scene.resource, place.parent);
  const without = withoutMember(withoutMember(owner, place.member), `_${place.member}`);
  const cleared = withContent(scene.resource, place.parent, withMember(without, member, placeholder));
  return accepted(withItems(cleared, { ...place, member, type }, [item]));
}

/** Keeps a parent from being taken away as empty for the moment between two steps. */
const placeholder = true;

function moved(scene: Scene, { path, source, destination }: Operation<"move">): Result<unknown> {
  const place = locateList(scene, path);
  if (!place.ok) return place;
  const items = itemsOf(scene.resource, place.value);
  const item = items[source];
  if (item === undefined) return refused(outside("source", items.length - 1));
  if (destination >= items.length) return refused(outside("destination", items.length - 1));
  const changed = items.toSpliced(source, 1).toSpliced(destination, 0, item);
  return accepted(withItems(scene.resource, place.value, changed));
}

function locateOne(scene: Scene, path: string): Result<Spot> {
  const found = locate(scene, path);
  if (!found.ok) return found;
  const [spot, ...more] = found.value;
  return spot === undefined || more.length > 0 ? refused(notOne(path, found.value.length)) : accepted(spot);
}

const wholeResource = processing("The path leads to the whole resource. Send PUT or DELETE instead.");

function outside(what: string, most: number): Refusal {
  return processing(most < 0 ? "The list is empty." : `The ${what} is beyond the list. It is at most ${most} here.`);
}

function processing(detail: string): Refusal {
  return { kind: "processing", detail, status: 422 };
}
