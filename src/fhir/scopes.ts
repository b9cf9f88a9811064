/**
 * What a client may do, as scopes of SMART v2 (https://hl7.org/fhir/smart-app-launch/STU2/scopes-and-launch-context.html):
 * `system/Observation.rs` lets it read and search Observations. The doors beside FHIR have scopes of the same form under
 * our own context: `tidegate/use-records.c` lets it send use records.
 */

/** create, read, update, delete, search. */
export type Permission = "c" | "r" | "u" | "d" | "s";

export interface Scope {
  readonly context: "system" | "tidegate";
  /** A resource type or a door of ours; `*` for each. */
  readonly of: string;
  /** In the order of `cruds`, at least one. */
  readonly may: readonly Permission[];
  /** What it reads is limited to what a search would find by this: one parameter, as in `category=survey`. */
  readonly limit?: string;
}

/** One thing that a request wants to do. */
export interface Need {
  readonly context: Scope["context"];
  readonly of: string;
  readonly to: Permission;
}

/** Doors beside FHIR that have scopes. */
export const ownDoors = [
  "use-records",
  "messages",
  "dashboard",
  "thresholds",
  "clients",
  "audit",
  "break-glass",
  "releases",
] as const;

const order: readonly Permission[] = ["c", "r", "u", "d", "s"];

/** Scopes of SMART v1, which many libraries still ask for, as v2 reads them. */
const permissionsOfV1: Readonly<Record<string, readonly Permission[]>> = {
  read: ["r", "s"],
  write: ["c", "u", "d"],
  "*": order,
};

/** Reads one scope; undefined where it is none of ours: a user's, a misspelt one, a limit on writing or of several parts. */
export function readScope(text: string): Scope | undefined {
  const [, context, of = "", letters = "", limit] =
    /^(system|tidegate)\/(\*|[A-Za-z][\w-]{0,63})\.(\*|[a-z]{1,5})(?:\?(.+))?$/.exec(text) ?? [];
  if (context !== "system" && context !== "tidegate") return undefined;
  const isKnown =
    of === "*" || (context === "system" ? /^[A-Z][A-Za-z]*$/.test(of) : ownDoors.some((door) => door === of));
  const may = permissionsOfV1[letters] ?? permissionsOfV2(letters);
  if (!isKnown || may === undefined) return undefined;
  if (limit === undefined) return { context, of, may };
  const isLimit = context === "system" && of !== "*" && limitPattern.test(limit) && may.every(isReading);
  return isLimit ? { context, of, may, limit } : undefined;
}

/** One search parameter without modifiers and its values, as v2 writes them behind a scope. */
const limitPattern = /^[a-z][a-z-]{0,63}=[^&=?#\s]{1,500}$/;

const isReading = (letter: Permission) => letter === "r" || letter === "s";

/** v2 writes its letters in one order and none twice. */
function permissionsOfV2(letters: string): readonly Permission[] | undefined {
  const may = order.filter((letter) => letters.includes(letter));
  return may.length > 0 && may.join("") === letters ? may : undefined;
}

/** Reads the scopes between blanks, with those that are none of ours apart. */
export function readScopes(text: string): { readonly scopes: readonly Scope[]; readonly unknown: readonly string[] } {
  const words = text.split(/\s+/).filter((word) => word !== "");
  const read = words.map((word) => [word, readScope(word)] as const);
  return {
    scopes: read.flatMap(([, scope]) => scope ?? []),
    unknown: read.flatMap(([word, scope]) => (scope === undefined ? [word] : [])),
  };
}

export function scopeText({ context, of, may, limit }: Scope): string {
  return `${context}/${of}.${may.join("")}${limit === undefined ? "" : `?${limit}`}`;
}

/** Whether one of the scopes lets a need pass. A need of every type passes with a scope of every type only. */
export function allows(scopes: readonly Scope[], need: Need): boolean {
  return scopes.some(
    ({ context, of, may }) => context === need.context && (of === "*" || of === need.of) && may.includes(need.to),
  );
}

/**
 * What both lists let pass, each once, in the order of the first. Where one is limited, what they have in common is; under
 * two limits that differ they have nothing in common.
 */
export function commonScopes(asked: readonly Scope[], held: readonly Scope[]): Scope[] {
  const common = new Map<string, Scope>();
  for (const one of asked) {
    for (const other of held) {
      if (one.context !== other.context || (one.of !== other.of && one.of !== "*" && other.of !== "*")) continue;
      if (one.limit !== undefined && other.limit !== undefined && one.limit !== other.limit) continue;
      const of = one.of === "*" ? other.of : one.of;
      const limit = one.limit ?? other.limit;
      const key = `${one.context}/${of}?${limit ?? ""}`;
      const may = order.filter(
        (letter) =>
          common.get(key)?.may.includes(letter) === true || (one.may.includes(letter) && other.may.includes(letter)),
      );
      if (may.length > 0) common.set(key, { context: one.context, of, may, ...(limit === undefined ? {} : { limit }) });
    }
  }
  return [...common.values()];
}

/** Limits of the types that are read under limits alone; several of one type let pass what any of them does. */
export function readingLimits(scopes: readonly Scope[]): { readonly type: string; readonly limit: string }[] {
  const reading = scopes.filter(({ context, may }) => context === "system" && may.some(isReading));
  const open = new Set(reading.flatMap(({ of, limit }) => (limit === undefined ? [of] : [])));
  if (open.has("*")) return [];
  return reading.flatMap(({ of, limit }) => (limit === undefined || open.has(of) ? [] : [{ type: of, limit }]));
}

/**
 * A type that is read under a limit and may be written as well; undefined where there is none. Nobody may hold such scopes:
 * the answers of writes would tell of what the limit leaves out.
 */
export function writtenUnderLimit(scopes: readonly Scope[]): string | undefined {
  const writing = scopes.filter(({ context, may }) => context === "system" && !may.every(isReading));
  return readingLimits(scopes).find(({ type }) => writing.some(({ of }) => of === "*" || of === type))?.type;
}

/** Whether nothing passes with the scopes that does not pass with the ceiling. */
export function isWithin(scopes: readonly Scope[], ceiling: readonly Scope[]): boolean {
  return scopes.every(({ context, of, may, limit }) => {
    // Under a limit of the ceiling only the same limit is within.
    const above = ceiling.filter((one) => one.limit === undefined || one.limit === limit);
    return may.every((to) => allows(above, { context, of, to }));
  });
}

/** The resource types that may be read or searched; undefined for every type. */
export function readableTypes(scopes: readonly Scope[]): readonly string[] | undefined {
  const reading = scopes.filter(({ context, may }) => context === "system" && (may.includes("r") || may.includes("s")));
  return reading.some(({ of }) => of === "*") ? undefined : [...new Set(reading.map(({ of }) => of))].sort();
}

/** Kinds of client, each with the most that one of its kind may be allowed. */
export const roles = {
  /** A hospital's integration engine: everything clinical, use records and messages. */
  integration:
    "system/*.cruds tidegate/use-records.cru tidegate/messages.cru tidegate/dashboard.r tidegate/thresholds.r tidegate/break-glass.c",
  /** A remote-monitoring dashboard: reads, and works on Tasks. */
  dashboard: "system/*.rs system/Task.u tidegate/dashboard.r tidegate/thresholds.r tidegate/break-glass.c",
  /** Whoever buys the service: the definitions of its measures, figures of many that were released, and nothing about a person. */
  commissioner:
    "system/Measure.rs system/MeasureReport.rs?identifier=https://tidegate.example/fhir/sid/release| tidegate/releases.r",
  /** Whoever runs the service: its configuration, who did what, what is released of the whole, and nothing clinical. */
  administrator: "tidegate/thresholds.ru tidegate/clients.crud tidegate/audit.r tidegate/releases.cru",
} as const;

export type Role = keyof typeof roles;

/** The most that a client of a role may be allowed. */
export function ceilingOf(role: Role): readonly Scope[] {
  return readScopes(roles[role]).scopes;
}
