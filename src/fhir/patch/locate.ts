import {
  AsAtom,
  type Atom,
  DotAtom,
  FunctionAtom,
  IndexerAtom,
  LiteralAtom,
  parseFhirPath,
  SymbolAtom,
} from "@medplum/core";
import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { holds, refusedIn } from "./criterion.ts";
import { elementOf, isPrimitive, memberOf } from "./element.ts";
import { contentOf, countAt, itemAt, type Place, type Spot } from "./spot.ts";
import { childOf } from "./tree.ts";

/** A resource to look in, and how many elements may still be looked at, and with `where`, for this patch. */
export interface Scene {
  readonly resource: unknown;
  readonly budget: { elements: number; criteria: number };
}

const longestPath = 1000;

/**
 * The elements of the resource that a FHIRPath names, with where they stand; none is an answer too. Taken are element
 * names with an index, where, first, last, extension, ofType and as: for those it is certain which element is meant.
 */
export function locate(scene: Scene, path: string): Result<readonly Spot[]> {
  const atom = parsed(path);
  return atom.ok ? evaluate(scene, atom.value, rootOf(scene), true) : atom;
}

/** The list that a path ends in, be it empty: for insert and move. */
export function locateList(scene: Scene, path: string): Result<Place> {
  const atom = parsed(path);
  if (!atom.ok) return atom;
  const last = atom.value instanceof DotAtom ? atom.value.right : atom.value;
  if (!(last instanceof SymbolAtom)) return refused(notTaken("a path to a list that does not end in its name"));
  const owners =
    atom.value instanceof DotAtom ? evaluate(scene, atom.value.left, rootOf(scene), true) : accepted(rootOf(scene));
  if (!owners.ok) return owners;
  const [owner, ...more] = owners.value;
  if (owner === undefined || more.length > 0) return refused(notOne(path, owners.value.length));
  const element = elementOf(owner.type, last.name);
  const [type] = element?.types ?? [];
  if (element === undefined || type === undefined) return refused(noElement(owner.type, last.name));
  if (!element.isArray) {
    return refused(processing(`${owner.type}.${last.name} is not a list. Use replace, or add where it is absent.`));
  }
  return accepted({ parent: owner, element, type, member: element.name });
}

function rootOf(scene: Scene): readonly Spot[] {
  return [{ type: String(childOf(scene.resource, "resourceType")), index: 0 }];
}

function parsed(path: string): Result<Atom> {
  if (path.length > longestPath) return refused(malformed(`A path has at most ${longestPath} letters.`));
  try {
    // The parser passes over what follows a complete expression; behind a bracket and a name nothing can follow.
    const atom = parseFhirPath(`(${path}\n).${endMark}`).child;
    const isWhole = atom instanceof DotAtom && atom.right instanceof SymbolAtom && atom.right.name === endMark;
    return isWhole ? accepted(atom.left) : refused(notFhirPath);
  } catch {
    return refused(notFhirPath);
  }
}

const endMark = "endOfPath";

const notFhirPath = malformed("The path is not FHIRPath. Give one such as Patient.name[0].family.");

function evaluate(scene: Scene, atom: Atom, input: readonly Spot[], isStart: boolean): Result<readonly Spot[]> {
  if (atom instanceof SymbolAtom) {
    return isStart && atom.name === input[0]?.type ? accepted(input) : children(scene, input, atom.name);
  }
  if (atom instanceof FunctionAtom) return called(scene, atom, input);
  if (atom instanceof DotAtom) {
    // What follows a dot in brackets would be one thing for each element and another for all together.
    if (!(atom.right instanceof SymbolAtom || atom.right instanceof FunctionAtom)) return refused(notFhirPath);
    const left = evaluate(scene, atom.left, input, isStart);
    return left.ok ? evaluate(scene, atom.right, left.value, false) : left;
  }
  if (atom instanceof AsAtom) {
    const left = evaluate(scene, atom.left, input, isStart);
    return left.ok ? ofType(left.value, atom.right) : left;
  }
  if (atom instanceof IndexerAtom) {
    const left = evaluate(scene, atom.left, input, isStart);
    if (!left.ok) return left;
    const index = atom.expr instanceof LiteralAtom ? atom.expr.value.value : undefined;
    if (!Number.isSafeInteger(index)) return refused(notTaken("an index that is not a number"));
    return accepted(left.value.slice(index, index + 1));
  }
  return refused(notTaken((atom as { operator?: string }).operator ?? "an operator"));
}

function children(scene: Scene, owners: readonly Spot[], name: string): Result<readonly Spot[]> {
  if (name === "$this") return accepted(owners);
  if (/^[%$]/.test(name)) return refused(notTaken(name));
  const found: Spot[] = [];
  for (const owner of owners) {
    const element = elementOf(owner.type, name);
    if (element === undefined) return refused(noElement(owner.type, name));
    // The value of a primitive stands in its parent, not among its children.
    if (isPrimitive(owner.type) && name === "value") return refused(notTaken("the value of a primitive element"));
    for (const type of element.types) {
      const place: Place = { parent: owner, element, type, member: memberOf(element, type) };
      const count = countAt(scene.resource, place);
      scene.budget.elements -= count + 1;
      if (scene.budget.elements < 0) return refused(tooMuch);
      for (let index = 0; index < count; index += 1) {
        found.push({ type: ownType(scene, place, index), place, index });
      }
      if (!element.isChoice) break;
    }
  }
  return accepted(found);
}

/** A contained resource says itself of which type it is. */
function ownType(scene: Scene, place: Place, index: number): string {
  if (place.type !== "Resource") return place.type;
  return String(childOf(itemAt(scene.resource, place, index)?.main, "resourceType"));
}

function called(scene: Scene, atom: FunctionAtom, input: readonly Spot[]): Result<readonly Spot[]> {
  const [argument, ...more] = atom.args;
  if (more.length > 0) return refused(malformed(`${atom.name}() takes one argument at most.`));
  if (argument === undefined) {
    if (atom.name === "first") return accepted(input.slice(0, 1));
    if (atom.name === "last") return accepted(input.slice(-1));
    return refused(notTaken(`${atom.name}()`));
  }
  switch (atom.name) {
    case "where":
      return where(scene, argument, input);
    case "extension":
      return extensions(scene, argument, input);
    case "ofType":
    case "as":
      return ofType(input, argument);
    default:
      return refused(notTaken(`${atom.name}() with an argument`));
  }
}

function extensions(scene: Scene, argument: Atom, input: readonly Spot[]): Result<readonly Spot[]> {
  const url = argument instanceof LiteralAtom ? argument.value.value : undefined;
  if (typeof url !== "string") return refused(malformed("Give extension() its url as text."));
  const found = children(scene, input, "extension");
  if (!found.ok) return found;
  return accepted(found.value.filter((one) => childOf(contentOf(scene.resource, one), "url") === url));
}

function where(scene: Scene, criterion: Atom, input: readonly Spot[]): Result<readonly Spot[]> {
  const strange = refusedIn(criterion);
  if (strange !== undefined) return refused(notTaken(`${strange} within where()`));
  scene.budget.criteria -= input.length;
  if (scene.budget.criteria < 0) return refused(tooMuch);
  const matches: Spot[] = [];
  for (const spot of input) {
    const item = spot.place && itemAt(scene.resource, spot.place, spot.index);
    const held = holds(criterion, spot.type, spot.place === undefined ? scene.resource : item?.main);
    if (held === undefined) return refused(malformed("The criterion of where() cannot be evaluated."));
    if (held) matches.push(spot);
  }
  return accepted(matches);
}

const tooMuch: Refusal = {
  kind: "too-costly",
  detail: "The patch looks through too many elements. Name fewer with each path, or send several patches.",
  status: 422,
};

function ofType(input: readonly Spot[], atom: Atom): Result<readonly Spot[]> {
  const name = atom instanceof DotAtom ? atom.right : atom;
  if (!(name instanceof SymbolAtom)) return refused(malformed("Name a type, such as Quantity."));
  return accepted(input.filter((spot) => spot.type === name.name));
}

/** The refusal of a path that names no element, or several, where one is needed. */
export function notOne(path: string, count: number): Refusal {
  const shown = path.slice(0, 200);
  return processing(
    count === 0
      ? `The resource has nothing at ${shown}. Read it again and address what is there, or add the parent first.`
      : `${count} elements are at ${shown}, one is needed. Give an index.`,
  );
}

/** The refusal of an element that R4 does not have. */
export function noElement(type: string, name: string): Refusal {
  const detail = `R4's ${type} has no element ${name.slice(0, 64)}. A choice such as value[x] goes by its plain name, value.`;
  return processing(detail);
}

function notTaken(what: string): Refusal {
  const detail = `A path with ${what.slice(0, 64)} is not taken here. Use names with an index, where, first, last, extension, ofType and as.`;
  return { kind: "not-supported", detail, status: 400 };
}

function malformed(detail: string): Refusal {
  return { kind: "invalid", detail, status: 400 };
}

function processing(detail: string): Refusal {
  return { kind: "processing", detail, status: 422 };
}
