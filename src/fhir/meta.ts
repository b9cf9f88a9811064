import { accepted, type Result, refused } from "../domain/result.ts";

/** The three lists of a Meta that the meta operations read and change, as they stand in the exact tree. */
const codingLists = ["security", "tag"] as const;

type Json = Record<string, unknown>;

/** One entry of `profile` with what stands beside it in `_profile`, null for nothing. */
interface ProfileEntry {
  readonly url: unknown;
  readonly beside: unknown;
}

/**
 * A resource's exact tree with the profiles, tags and security labels of `added` in its meta. They are sets: a label is
 * the same by system and code whatever its version and display, a profile by its whole url; what is there already stays as it is
 * (https://hl7.org/fhir/R4/resource-operation-meta-add.html). The very same tree when nothing is new.
 */
export function withMetaAdded(exact: unknown, added: unknown): unknown {
  return withMeta(exact, (meta) => {
    const next: Json = { ...meta };
    let changed = false;
    for (const name of codingLists) {
      const [had, given] = [listOf(meta[name]), listOf((added as Json)[name])];
      const fresh = unlike(given, new Set(had.map(codingKey)), codingKey);
      if (fresh.length === 0) continue;
      next[name] = [...had, ...fresh];
      changed = true;
    }
    const had = profilesOf(meta);
    const fresh = unlike(profilesOf(added as Json), new Set(had.map(profileKey)), profileKey);
    if (fresh.length > 0) setProfiles(next, [...had, ...fresh]);
    return changed || fresh.length > 0 ? next : undefined;
  });
}

/**
 * A resource's exact tree without the profiles, tags and security labels of `removed`. Naming what is not there is no error
 * (https://hl7.org/fhir/R4/resource-operation-meta-delete.html). The very same tree when nothing of it was there.
 */
export function withMetaRemoved(exact: unknown, removed: unknown): unknown {
  return withMeta(exact, (meta) => {
    const next: Json = { ...meta };
    let changed = false;
    for (const name of codingLists) {
      const gone = new Set(listOf((removed as Json)[name]).map(codingKey));
      const had = listOf(meta[name]);
      const kept = had.filter((coding) => !gone.has(codingKey(coding)));
      if (kept.length === had.length) continue;
      // An empty array is not allowed in FHIR JSON.
      if (kept.length > 0) next[name] = kept;
      else delete next[name];
      changed = true;
    }
    const gone = new Set(profilesOf(removed as Json).map(profileKey));
    const had = profilesOf(meta);
    const kept = had.filter((profile) => !gone.has(profileKey(profile)));
    if (kept.length < had.length) setProfiles(next, kept);
    return changed || kept.length < had.length ? next : undefined;
  });
}

function withMeta(exact: unknown, change: (meta: Json) => Json | undefined): unknown {
  const resource = exact as Json;
  const meta = change((resource.meta ?? {}) as Json);
  return meta === undefined ? exact : { ...resource, meta };
}

/** Entries whose key is not taken yet; each key once. */
function unlike<T>(entries: readonly T[], taken: Set<string>, keyOf: (entry: T) => string): T[] {
  return entries.filter((entry) => {
    const key = keyOf(entry);
    if (taken.has(key)) return false;
    taken.add(key);
    return true;
  });
}

function listOf(value: unknown): readonly unknown[] {
  return Array.isArray(value) ? value : [];
}

/** What makes two labels the same label: system and code. */
function codingKey(coding: unknown): string {
  const { system, code } = (coding ?? {}) as { system?: unknown; code?: unknown };
  return JSON.stringify([system ?? null, code ?? null]);
}

function profileKey(profile: ProfileEntry): string {
  return String(profile.url);
}

function profilesOf(meta: Json): ProfileEntry[] {
  const beside = listOf(meta._profile);
  return listOf(meta.profile).map((url, i) => ({ url, beside: beside[i] ?? null }));
}

/** Writes both lists anew, so that an extension stays beside the profile it belongs to (https://hl7.org/fhir/R4/json.html#primitive). */
function setProfiles(meta: Json, profiles: readonly ProfileEntry[]): void {
  delete meta.profile;
  delete meta._profile;
  if (profiles.length === 0) return;
  meta.profile = profiles.map((profile) => profile.url);
  if (profiles.some((profile) => profile.beside !== null)) meta._profile = profiles.map((profile) => profile.beside);
}

/** The Meta that a posted Parameters resource names `meta`, from its exact tree; anything else in it is refused. */
export function metaParameter(parameters: unknown): Result<unknown> {
  const { resourceType, parameter } = parameters as Json;
  if (resourceType !== "Parameters") {
    const detail = 'Send a Parameters resource with one parameter "meta".';
    return refused({ kind: "invalid", detail, at: "resourceType", status: 400 });
  }
  const given = listOf(parameter) as readonly (Json | null)[];
  const other = given.findIndex((one) => one?.name !== "meta");
  if (other >= 0) {
    const detail = 'This operation takes one parameter, "meta". Leave the others out.';
    return refused({ kind: "not-supported", detail, at: `Parameters.parameter[${other}]`, status: 400 });
  }
  const [only] = given;
  if (given.length !== 1 || only === undefined || only === null) {
    const detail = `This operation takes "meta" once, not ${given.length} times.`;
    return refused({ kind: "required", detail, at: "Parameters.parameter", status: 400 });
  }
  const meta = only.valueMeta;
  const wrong = misshapen(meta);
  if (wrong === undefined) return accepted(meta);
  return refused({ ...wrong, at: `Parameters.parameter[0].valueMeta${wrong.at}`, status: 400 });
}

function misshapen(meta: unknown): { kind: "structure"; detail: string; at: string } | undefined {
  if (!isObject(meta)) {
    return { kind: "structure", detail: 'The parameter "meta" is a Meta: send it as valueMeta.', at: "" };
  }
  for (const name of codingLists) {
    if (meta[name] === undefined || (Array.isArray(meta[name]) && meta[name].every(isLabel))) continue;
    const detail = `The list ${name} holds Codings, each with a code.`;
    return { kind: "structure", detail, at: `.${name}` };
  }
  const { profile } = meta;
  if (
    profile === undefined ||
    (Array.isArray(profile) && profile.every((url) => typeof url === "string" && url !== ""))
  )
    return undefined;
  return { kind: "structure", detail: "The list profile holds canonical urls as text.", at: ".profile" };
}

function isObject(value: unknown): value is Json {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

function isLabel(value: unknown): boolean {
  if (!isObject(value)) return false;
  const { system, code } = value;
  return typeof code === "string" && code !== "" && (system === undefined || typeof system === "string");
}

/** A Parameters resource with one Meta named `return`, as every meta operation answers; an empty Meta leaves the value out. */
export function metaReturnText(meta: unknown): string {
  const isEmpty = !isObject(meta) || Object.keys(meta).length === 0;
  // An empty object is not allowed in FHIR JSON, and a parameter has a value: an empty list of labels is said by its absence.
  const parameter = isEmpty ? {} : { parameter: [{ name: "return", valueMeta: meta }] };
  return JSON.stringify({ resourceType: "Parameters", ...parameter });
}
