/** The tree of a resource's JSON with numbers as written; patches share what they leave alone and change nothing in place. */
export type Tokens = readonly string[];

/** Whether this is a number kept as raw JSON: a leaf that is copied as it is, never opened. */
export function isRawNumber(value: unknown): value is { readonly rawJSON: string } {
  return json.isRawJSON(value);
}

/** `isRawJSON` is in Node 26 and not yet in TypeScript's library. */
const json = JSON as typeof JSON & { isRawJSON(value: unknown): boolean };

/** Whether this is a JSON object with members, not an array and not a raw number. */
export function isObject(value: unknown): value is Readonly<Record<string, unknown>> {
  return typeof value === "object" && value !== null && !Array.isArray(value) && !isRawNumber(value);
}

/** The index that a token names in an array (RFC 6901, 4): no sign, no leading zero; undefined for any other token. */
export function arrayIndex(token: string): number | undefined {
  return /^(?:0|[1-9]\d{0,8})$/.test(token) ? Number(token) : undefined;
}

/** The member or item of that name; undefined where there is none. What objects inherit is no member. */
export function childOf(node: unknown, token: string): unknown {
  if (Array.isArray(node)) {
    const index = arrayIndex(token);
    return index === undefined ? undefined : node[index];
  }
  return isObject(node) && Object.hasOwn(node, token) ? node[token] : undefined;
}

/** The value at the end of a path; undefined where the path breaks off. */
export function valueAt(root: unknown, tokens: Tokens): unknown {
  let node = root;
  for (const token of tokens) {
    node = childOf(node, token);
    if (node === undefined) return undefined;
  }
  return node;
}

/**
 * The tree with the node at `tokens` replaced by what `change` makes of it; undefined where the path breaks off or
 * `change` answers undefined.
 */
export function withChanged(root: unknown, tokens: Tokens, change: (node: unknown) => unknown): unknown {
  const [token, ...rest] = tokens;
  if (token === undefined) return change(root);
  const child = childOf(root, token);
  if (child === undefined) return undefined;
  const changed = withChanged(child, rest, change);
  return changed === undefined ? undefined : withMember(root, token, changed);
}

/** The object or array with one member set, at its old place where there was one. */
export function withMember(node: unknown, token: string, value: unknown): unknown {
  if (Array.isArray(node)) return node.with(Number(token), value);
  return { ...(node as object), [token]: value };
}

/** The object or array without one member; later items of an array move up. */
export function withoutMember(node: unknown, token: string): unknown {
  if (Array.isArray(node)) return node.toSpliced(Number(token), 1);
  const { [token]: _, ...rest } = node as Record<string, unknown>;
  return rest;
}

/** How much a value is. */
export interface Measure {
  /** Nesting levels; a text or number has 1. */
  readonly levels: number;
  /** Letters, roughly as many as its JSON text has. */
  readonly letters: number;
  /** Members of the object that has most. */
  readonly widest: number;
}

/** Trees are shared from one operation to the next, so most of each is measured already. */
const measured = new WeakMap<object, Measure>();

/** Measures a value, so that a patch can be refused before it grows beyond what can be stored or read again. */
export function measure(value: unknown): Measure {
  if (typeof value === "string") return { levels: 1, letters: value.length + 2, widest: 0 };
  if (isRawNumber(value)) return { levels: 1, letters: value.rawJSON.length, widest: 0 };
  if (typeof value !== "object" || value === null) return { levels: 1, letters: 8, widest: 0 };
  const known = measured.get(value);
  if (known !== undefined) return known;
  const entries = Object.entries(value);
  let levels = 0;
  let letters = 2;
  let widest = Array.isArray(value) ? 0 : entries.length;
  for (const [name, one] of entries) {
    const inner = measure(one);
    levels = Math.max(levels, inner.levels);
    letters += inner.letters + name.length + 2;
    widest = Math.max(widest, inner.widest);
  }
  const made = { levels: levels + 1, letters, widest };
  measured.set(value, made);
  return made;
}

/** Levels of nesting that JSON may have here, as for every body that is read. */
export const deepestLevel = 64;

/** Members that an object of a patch may have; FHIR's largest type has fewer than 100. Each operation copies them all. */
export const mostMembers = 1000;
