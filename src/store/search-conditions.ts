import type { Branch, Clause, QuantityClause, RangeTest } from "../fhir/search/query.ts";
import { instant } from "./database.ts";

/** Collects parameters; each is bound, never spliced into the text. */
export interface Binder {
  bind(value: unknown, cast: string): string;
}

/** A binder and the values it has collected, in the order of their numbers. */
export function newBinder(): { binder: Binder; values: unknown[] } {
  const values: unknown[] = [];
  return {
    values,
    binder: {
      bind(value, cast) {
        values.push(value);
        return `$${values.length}::${cast}`;
      },
    },
  };
}

/** The condition of a search as SQL over `resource r`: the tenant's current resources that answer any of the branches. */
export function searchConditions(tenantId: number, branches: readonly Branch[], binder: Binder): string {
  // A parameter that no text names has no type, and the statement would be refused.
  if (branches.length === 0) return "false";
  const tenant = `r.tenant_id = ${binder.bind(tenantId, "int")}`;
  const asked = branches.map(({ types, clauses }) =>
    [oneOf("r.type", types, binder), ...conditions(clauses, "r", binder)].join(" and "),
  );
  const either = asked.length === 1 ? asked[0] : `(${asked.map((one) => `(${one})`).join(" or ")})`;
  return `${tenant} and not r.deleted and ${either}`;
}

/** Whether the patient or the id is asked for, whose indexes leave few rows whatever else is. */
export function isNarrow(clauses: readonly Clause[]): boolean {
  return clauses.some(({ kind }) => kind === "patient" || kind === "id");
}

/**
 * What each clause asks. Where few rows are left, terms are looked at in each: a plan that does not know the terms would rather
 * fetch all that have them by theirs, of every patient there is.
 */
function conditions(clauses: readonly Clause[], row: string, binder: Binder, among = false): string[] {
  const few = among || isNarrow(clauses);
  return clauses.map((clause) => `(${condition(clause, row, binder, few)})`);
}

/** One clause over the resource that stands under the alias `row`. */
function condition(clause: Clause, row: string, binder: Binder, few: boolean): string {
  switch (clause.kind) {
    case "id":
      return oneOf(`${row}.id`, clause.anyOf, binder);
    case "patient":
      return oneOf(`${row}.patient_id`, clause.anyOf, binder);
    case "terms":
      // An expression over the column, which no index serves.
      return `${clause.negate ? "not " : ""}(${few ? `(${row}.terms || '{}')` : `${row}.terms`} && ${binder.bind(clause.anyOf, "bigint[]")})`;
    case "string":
      return stringCondition(clause, row, binder);
    case "date":
      return dateCondition(clause, row, binder);
    case "quantity":
      return `exists (select 1 from ${quantitiesOf(row)} where ${quantityTest(clause, "q", binder)})`;
    case "body":
      return bodyCondition(clause, row, binder);
    case "all":
    case "any":
      return clause.of.length === 0
        ? String(clause.kind === "all")
        : conditions(clause.of, row, binder, few).join(clause.kind === "all" ? " and " : " or ");
    case "together":
      return togetherCondition(clause, row, binder);
    case "chain":
      return chainCondition(clause, row, binder);
    case "has":
      return hasCondition(clause, row, binder);
  }
}

/** A single value as equality, so that an index may also give the order. */
function oneOf(column: string, values: readonly string[], binder: Binder): string {
  return values.length === 1
    ? `${column} = ${binder.bind(values[0], "text")}`
    : `${column} = any(${binder.bind(values, "text[]")})`;
}

type Kind<K extends Clause["kind"]> = Extract<Clause, { kind: K }>;

function stringCondition(clause: Kind<"string">, row: string, binder: Binder): string {
  const tests = clause.anyOf.map((value) => {
    const bound = binder.bind(value, "text");
    if (clause.match === "exact") return `s.exact = ${bound}`;
    if (clause.match === "contains") return `strpos(s.folded, ${bound}) > 0`;
    // The range lets the index serve a prefix under row-level security, where LIKE may not come near it.
    return `(s.folded >= ${bound} and s.folded < ${bound} || chr(1114111))`;
  });
  return `${row}.id in (select s.id from resource_string s where s.tenant_id = ${row}.tenant_id and s.type = ${row}.type
    and s.key = any(${binder.bind(clause.keys, "bigint[]")}) and (${tests.join(" or ")}))`;
}

function dateCondition(clause: Kind<"date">, row: string, binder: Binder): string {
  const either = (low: string, high: string) =>
    clause.anyOf.map((test) => `(${rangeCondition(test, low, high, "timestamptz", binder)})`).join(" or ");
  if (clause.column === "hot")
    return `${row}.started_at is not null and (${either(`${row}.started_at`, `${row}.ended_at`)})`;
  if (clause.column === "last-updated")
    return clause.anyOf.map((test) => `(${momentCondition(test, `${row}.last_updated`, binder)})`).join(" or ");
  return `${row}.id in (select d.id from resource_date d where d.tenant_id = ${row}.tenant_id and d.type = ${row}.type
    and d.key = any(${binder.bind(clause.column.keys, "bigint[]")}) and (${either("d.low", "d.high")}))`;
}

/**
 * The same tests of a moment, which is kept to the millisecond and stands for that whole millisecond: as bounds of the
 * column alone, so that its index gives the range.
 */
function momentCondition(test: RangeTest, moment: string, binder: Binder): string {
  const from = () => `${moment} >= ${binder.bind(instant(test.low), "timestamptz")}`;
  const before = () => `${moment} < ${binder.bind(instant(test.low), "timestamptz")}`;
  const until = () => `${moment} < ${binder.bind(instant(test.high), "timestamptz")}`;
  const after = () => `${moment} >= ${binder.bind(instant(test.high), "timestamptz")}`;
  switch (test.prefix) {
    case "eq":
    case "ap":
      return `${from()} and ${until()}`;
    case "ne":
      return `not (${from()} and ${until()})`;
    case "ge":
      return from();
    case "lt":
    case "eb":
      return before();
    case "le":
      return until();
    case "gt":
    case "sa":
      return after();
  }
}

function quantitiesOf(row: string, alias = "q"): string {
  return `unnest(${row}.quantity_keys, ${row}.quantity_units, ${row}.quantity_lows, ${row}.quantity_highs, ${row}.quantity_places)
    as ${alias}(key, unit, low, high, place)`;
}

function quantityTest(clause: QuantityClause, alias: string, binder: Binder): string {
  const tests = clause.anyOf.map((test) => {
    const unit = test.unit === undefined ? "" : `${alias}.unit = ${binder.bind(test.unit, "bigint")} and `;
    return `(${unit}(${rangeCondition(test, `${alias}.low`, `${alias}.high`, "float8", binder)}))`;
  });
  return `${alias}.key = any(${binder.bind(clause.keys, "bigint[]")}) and (${tests.join(" or ")})`;
}

/** What a class of JavaScript's regular expressions holds, as one of PostgreSQL's, which has no `\p{M}`. */
function classLike(pattern: RegExp): string {
  const ranges: string[] = [];
  const letter = (point: number) => `\\U${point.toString(16).padStart(8, "0")}`;
  // The planes in use and the variation selectors; neither marks nor blanks are assigned in between.
  for (const [from, until] of [
    [0, 0x20000],
    [0xe0000, 0xe1000],
  ] as const) {
    for (let start = from; start < until; start += 1) {
      let end = start;
      while (end < until && pattern.test(String.fromCodePoint(end))) end += 1;
      if (end > start) ranges.push(`${letter(start)}-${letter(end - 1)}`);
      start = end;
    }
  }
  return `[${ranges.join("")}]`;
}

/** Made when the first search asks for them: some 50 ms. */
let marks: string | undefined;
let blanks: string | undefined;

/**
 * Texts are folded as fhir/search/string.ts folds them; JavaScript ends a word with another small sigma, PostgreSQL does
 * not. A uri is under another where that ends at a slash of it (https://hl7.org/fhir/R4/search.html#uri).
 */
function bodyCondition(clause: Kind<"body">, row: string, binder: Binder): string {
  const found = "b.found #>> '{}'";
  const bounds = clause.anyOf.map((value) => binder.bind(value, "text"));
  const tests =
    clause.match === "text"
      ? bounds.map((bound) => `starts_with(b.folded, translate(${bound}, 'ς', 'σ'))`)
      : bounds.map((bound) => `${found} = ${bound} or starts_with(${found}, rtrim(${bound}, '/') || '/')`);
  const paths = `unnest(${binder.bind(clause.paths, "text[]")}) as p(path)`;
  // `offset 0` keeps the body from being parsed anew for each path.
  const parsed = `(select ${row}.body::jsonb as json offset 0) as j`;
  const values = `${parsed}, ${paths}, jsonb_path_query(j.json, p.path::jsonpath) as b(found)`;
  if (clause.match === "below") return `exists (select 1 from ${values} where ${tests.join(" or ")})`;
  marks ??= classLike(/\p{M}/u);
  blanks ??= `${classLike(/\s/)}+`;
  const unmarked = `regexp_replace(normalize(${found}, NFKD), ${binder.bind(marks, "text")}, '', 'g')`;
  const spaced = `regexp_replace(lower(${unmarked}), ${binder.bind(blanks, "text")}, ' ', 'g')`;
  const folded = `select translate(btrim(${spaced}), 'ς', 'σ') as folded from ${values}`;
  return `exists (select 1 from (${folded}) as b where ${tests.join(" or ")})`;
}

/**
 * Parts that stand in one element: their entries carry its place, their terms are xored with it (`#`). The terms of the
 * whole resource come first, because the index knows them; without place terms there is one element at most.
 */
function togetherCondition(clause: Kind<"together">, row: string, binder: Binder): string {
  const terms = clause.terms.map(({ anyOf }) => binder.bind(anyOf, "bigint[]"));
  const anywhere = terms.map((bound) => `${row}.terms && ${bound}`);
  const at = (place: string) =>
    terms
      .map(
        (bound) =>
          `exists (select 1 from unnest(${bound}) as t(term) where (t.term # ${place}::bigint) = any(${row}.place_terms))`,
      )
      .join(" and ");
  const [first, ...others] = clause.quantities;
  if (first === undefined) {
    const [leading = ""] = terms;
    const somewhere = `exists (select 1 from unnest(${row}.place_terms) as x(term), unnest(${leading}) as l(term)
      where (x.term # l.term) between 0 and 32767 and ${at("(x.term # l.term)")})`;
    return [...anywhere, `(${row}.place_terms is null or ${somewhere})`].join(" and ");
  }
  const together = others.map(
    (one, i) =>
      `exists (select 1 from ${quantitiesOf(row, `q${i}`)} where ${quantityTest(one, `q${i}`, binder)} and q${i}.place is not distinct from q.place)`,
  );
  const placed = terms.length === 0 ? "true" : `(${row}.place_terms is null or (${at("q.place")}))`;
  const numbers = `exists (select 1 from ${quantitiesOf(row)} where ${[quantityTest(first, "q", binder), ...together, placed].join(" and ")})`;
  return [...anywhere, numbers].join(" and ");
}

/**
 * The resources that are pointed to are found first, once – an array and not a join, which the planner may turn round –
 * and then those that point to them, by the index.
 */
function chainCondition(clause: Kind<"chain">, row: string, binder: Binder): string {
  const target = `${row}t`;
  const where = [
    `${target}.tenant_id = current_setting('tidegate.tenant')::int`,
    `${target}.type = ${binder.bind(clause.type, "text")}`,
    `not ${target}.deleted`,
    ...conditions(clause.clauses, target, binder),
  ].join(" and ");
  if (clause.link === "patient")
    return `${row}.patient_id = any(array(select ${target}.id from resource ${target} where ${where}))`;
  const keys = binder.bind(clause.link.keys, "bigint[]");
  return `${row}.terms && (select array_agg(reference_term(k.key, ${target}.type || '/' || ${target}.id))
    from resource ${target}, unnest(${keys}) as k(key) where ${where})`;
}

function hasCondition(clause: Kind<"has">, row: string, binder: Binder): string {
  const source = `${row}s`;
  const where = [
    `${source}.tenant_id = current_setting('tidegate.tenant')::int`,
    `${source}.type = ${binder.bind(clause.type, "text")}`,
    `not ${source}.deleted`,
    ...conditions(clause.clauses, source, binder),
  ].join(" and ");
  if (clause.link === "patient")
    return `${row}.id = any(array(select distinct ${source}.patient_id from resource ${source} where ${where}))`;
  const pointing = clause.link.keys.map(
    (key) => `reference_term(${binder.bind(key, "bigint")}, ${row}.type || '/' || ${row}.id)`,
  );
  return `exists (select 1 from resource ${source} where ${where} and ${source}.terms && array[${pointing.join(", ")}])`;
}

/** The SQL twin of fhir/search/compare.ts; a test holds the two together over the table of the R4 search page. */
function rangeCondition(
  test: RangeTest,
  low: string,
  high: string,
  cast: "timestamptz" | "float8",
  binder: Binder,
): string {
  const value = (number: number) => binder.bind(cast === "float8" ? number : instant(number), cast);
  const [l, h] = [() => value(test.low), () => value(test.high)];
  const inside = () => `${low} >= ${l()} and ${high} <= ${h()}`;
  switch (test.prefix) {
    case "eq":
      return inside();
    case "ne":
      return `not (${inside()})`;
    case "gt":
      return `${high} > ${h()}`;
    case "lt":
      return `${low} < ${l()}`;
    case "ge":
      return `${high} > ${h()} or (${inside()})`;
    case "le":
      return `${low} < ${l()} or (${inside()})`;
    case "sa":
      return cast === "float8" ? `${low} > ${h()}` : `${low} >= ${h()}`;
    case "eb":
      return cast === "float8" ? `${high} < ${l()}` : `${high} <= ${l()}`;
    case "ap":
      return cast === "float8" ? `${low} <= ${h()} and ${high} >= ${l()}` : `${low} < ${h()} and ${high} > ${l()}`;
  }
}
