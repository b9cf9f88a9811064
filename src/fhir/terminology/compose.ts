import type { ValueSetComposeInclude, ValueSetComposeIncludeFilter } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import { type CodeList, type CodeSources, type CodeTable, isInactive, withDescendants } from "./code-table.ts";

/** Displays by code, by system; an empty display where none is known. */
export type Codes = ReadonlyMap<string, ReadonlyMap<string, string>>;

/** Codes looked at for one value set, all that it names included: enough for R4's own, little for a machine. */
const mostCodesLookedAt = 50_000;

interface Work {
  readonly sources: CodeSources;
  /** Value sets being worked out, to meet a circle. */
  readonly open: Set<string>;
  left: number;
}

/** Leaves the evaluation at the first thing that cannot be listed; caught in `composedCodes` alone. */
class Unlistable extends Error {
  readonly refusal: Refusal;
  constructor(kind: Refusal["kind"], detail: string) {
    super(detail);
    this.refusal = { kind, detail, status: 422 };
  }
}

const unlistable = (detail: string) => new Unlistable("not-supported", detail);

/**
 * Every code of a value set (https://hl7.org/fhir/R4/valueset.html#compositions), in the order in which it names them.
 * Refused where a part cannot be listed: a system that is not held here as a whole, a filter that is not understood.
 */
export function composedCodes(list: CodeList, sources: CodeSources): Result<Codes> {
  try {
    return accepted(codesOfList(list, { sources, open: new Set(), left: mostCodesLookedAt }));
  } catch (error) {
    if (!(error instanceof Unlistable)) throw error;
    return refused(error.refusal);
  }
}

function codesOfList(list: CodeList, work: Work): Codes {
  const name = list.url ?? "";
  if (name !== "" && work.open.has(name)) throw unlistable(`The value set ${name} includes itself.`);
  if (list.compose === undefined) throw unlistable(`The value set ${name} has no compose, so its codes are not known.`);
  work.open.add(name);
  const included = union(list.compose.include.map((include) => codesOfInclude(include, work)));
  const excluded = union((list.compose.exclude ?? []).map((exclude) => codesOfInclude(exclude, work)));
  const active = list.compose.inactive === false ? isActiveIn(work.sources) : () => true;
  work.open.delete(name);
  return kept(included, (system, code) => !excluded.get(system)?.has(code) && active(system, code));
}

/** System and value sets of one include are met together: a code has to be in each of them. */
function codesOfInclude(include: ValueSetComposeInclude, work: Work): Codes {
  const parts: Codes[] = [];
  if (include.system !== undefined)
    parts.push(new Map([[include.system, codesOfSystem(include.system, include, work)]]));
  for (const url of include.valueSet ?? []) {
    const named = work.sources.codeList(url);
    if (named === undefined) throw unlistable(`The value set ${url} is not held here.`);
    parts.push(codesOfList(named, work));
  }
  const [first, ...others] = parts;
  if (first === undefined) throw unlistable("An include names neither a system nor a value set.");
  return others.reduce(intersection, first);
}

function codesOfSystem(system: string, include: ValueSetComposeInclude, work: Work): ReadonlyMap<string, string> {
  const table = work.sources.codeTable(system);
  if (include.concept !== undefined) {
    const displayOf = (one: { code: string; display?: string }) => one.display ?? table?.displays.get(one.code) ?? "";
    return counted(work, new Map(include.concept.map((one) => [one.code, displayOf(one)])));
  }
  if (table === undefined)
    throw unlistable(`The code system ${system} is not held here, so its codes cannot be listed.`);
  if (!table.complete) throw unlistable(`Only some codes of ${system} are held here, so they cannot be listed.`);
  const filters = include.filter ?? [];
  if (filters.length === 0) return counted(work, table.displays);
  spend(work, table.displays.size * filters.length);
  const tests = filters.map((filter) => testOf(table, filter));
  return counted(work, new Map([...table.displays].filter(([code]) => tests.every((test) => test(code)))));
}

function counted(work: Work, codes: ReadonlyMap<string, string>): ReadonlyMap<string, string> {
  spend(work, codes.size + 1);
  return codes;
}

function spend(work: Work, codes: number): void {
  work.left -= codes;
  if (work.left >= 0) return;
  const detail = `Working this value set out takes more than ${mostCodesLookedAt} codes. Name fewer systems and value sets.`;
  throw new Unlistable("too-costly", detail);
}

/** Filter operators of https://hl7.org/fhir/R4/valueset-filter-operator.html; `regex` is left out, it may never end. */
function testOf(table: CodeTable, filter: ValueSetComposeIncludeFilter): (code: string) => boolean {
  const { property, op, value } = filter;
  if (property === "concept" || property === "code") {
    const below = () => withDescendants(table, value);
    if (op === "is-a") return inSet(below());
    if (op === "is-not-a") return not(inSet(below()));
    if (op === "descendent-of") return both(inSet(below()), (code) => code !== value);
    if (op === "=") return (code) => code === value;
    if (op === "in") return inSet(new Set(listed(value)));
    if (op === "not-in") return not(inSet(new Set(listed(value))));
  }
  if (property === "parent" && op === "=") return inSet(new Set(table.children.get(value)));
  if (property === "child" && op === "=") return (code) => table.children.get(code)?.includes(value) ?? false;
  const known = propertyNames(table);
  if (known.has(property)) {
    const valuesOf = (code: string) => propertyValues(table, code, property);
    if (op === "=") return (code) => valuesOf(code).includes(value);
    if (op === "in") return (code) => valuesOf(code).some((one) => listed(value).includes(one));
    if (op === "not-in") return (code) => !valuesOf(code).some((one) => listed(value).includes(one));
    if (op === "exists") return (code) => valuesOf(code).length > 0 === (value === "true");
  }
  throw unlistable(`The filter ${property} ${op} ${value} on ${table.url} is not understood here.`);
}

const inSet = (codes: ReadonlySet<string>) => (code: string) => codes.has(code);
const not = (test: (code: string) => boolean) => (code: string) => !test(code);
const both = (one: (code: string) => boolean, two: (code: string) => boolean) => (code: string) =>
  one(code) && two(code);
const listed = (value: string) => value.split(",").map((one) => one.trim());

function propertyNames(table: CodeTable): ReadonlySet<string> {
  return new Set([...table.details.values()].flatMap((one) => (one.property ?? []).map(({ code }) => code)));
}

function propertyValues(table: CodeTable, code: string, property: string): string[] {
  const found = (table.details.get(code)?.property ?? []).filter((one) => one.code === property);
  return found.flatMap((one) => {
    const value =
      one.valueCode ?? one.valueString ?? one.valueBoolean ?? one.valueInteger ?? one.valueDateTime ?? one.valueDecimal;
    return value === undefined ? [] : [String(value)];
  });
}

/** A system that one part alone names keeps that part's map, so that whole systems are not held twice. */
function union(parts: readonly Codes[]): Codes {
  const bySystem = new Map<string, ReadonlyMap<string, string>[]>();
  for (const [system, displays] of parts.flatMap((part) => [...part])) {
    const known = bySystem.get(system);
    if (known === undefined) bySystem.set(system, [displays]);
    else known.push(displays);
  }
  return new Map(
    [...bySystem].map(([system, all]) => [system, all.length === 1 ? (all[0] ?? new Map()) : joined(all)]),
  );
}

function joined(all: readonly ReadonlyMap<string, string>[]): ReadonlyMap<string, string> {
  const codes = new Map<string, string>();
  for (const displays of all) for (const [code, display] of displays) if (!codes.has(code)) codes.set(code, display);
  return codes;
}

function intersection(one: Codes, other: Codes): Codes {
  return kept(one, (system, code) => other.get(system)?.has(code) ?? false);
}

/** The codes that stay; systems of which none stays go too, and those of which all stay keep their map. */
function kept(codes: Codes, stays: (system: string, code: string) => boolean): Codes {
  const left = new Map<string, ReadonlyMap<string, string>>();
  for (const [system, displays] of codes) {
    const staying = [...displays].filter(([code]) => stays(system, code));
    if (staying.length > 0) left.set(system, staying.length === displays.size ? displays : new Map(staying));
  }
  return left;
}

function isActiveIn(sources: CodeSources): (system: string, code: string) => boolean {
  return (system, code) => {
    const table = sources.codeTable(system);
    return table === undefined || !isInactive(table, code);
  };
}
