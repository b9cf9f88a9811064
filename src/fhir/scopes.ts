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
}

/** One thing that a request wants to do. */
export interface Need {
  readonly context: Scope["context"];
  readonly of: string;
  readonly to: Permission;
}

/** Doors beside FHIR that have scopes. */
export const ownDoors = ["use-records", "dashboard", "thresholds", "clients"] as const;

const order: readonly Permission[] = ["c", "r", "u", "d", "s"];

/** Scopes of SMART v1, which many libraries still ask for, as v2 reads them. */
const permissionsOfV1: Readonly<Record<string, readonly Permission[]>> = {
  read: ["r", "s"],
  write: ["c", "u", "d"],
  "*": order,
};

/** Reads one scope; undefined where it is none of ours: a user's, a misspelt one, one that is limited by a query. */
export function readScope(text: string): Scope | undefined {
  const [, context, of = "", letters = ""] =
    /^(system|tidegate)\/(\*|[A-Za-z][\w-]{0,63})\.(\*|[a-z]{1,5})$/.exec(text) ?? [];
  if (context !== "system" && context !== "tidegate") return undefined;
  const isKnown = of === "*" || (context === "system" ? /^[A-Z]/.test(of) : ownDoors.some((door) => door === of));
  const may = permissionsOfV1[letters] ?? permissionsOfV2(letters);
  return isKnown && may !== undefined ? { context, of, may } : undefined;
}

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

export function scopeText({ context, of, may }: Scope): string {
  return `${context}/${of}.${may.join("")}`;
}

/** Whether one of the scopes lets a need pass. A need of every type passes with a scope of every type only. */
export function allows(scopes: readonly Scope[], need: Need): boolean {
  return scopes.some(
    ({ context, of, may }) => context === need.context && (of === "*" || of === need.of) && may.includes(need.to),
  );
}

/** What both lists let pass, each once, in the order of the first. */
export function commonScopes(asked: readonly Scope[], held: readonly Scope[]): Scope[] {
  const common = new Map<string, Scope>();
  for (const one of asked) {
    for (const other of held) {
      if (one.context !== other.context || (one.of !== other.of && one.of !== "*" && other.of !== "*")) continue;
      const of = one.of === "*" ? other.of : one.of;
      const key = `${one.context}/${of}`;
      const may = order.filter(
        (letter) =>
          common.get(key)?.may.includes(letter) === true || (one.may.includes(letter) && other.may.includes(letter)),
      );
      if (may.length > 0) common.set(key, { context: one.context, of, may });
    }
  }
  return [...common.values()];
}

/** Whether nothing passes with the scopes that does not pass with the ceiling. */
export function isWithin(scopes: readonly Scope[], ceiling: readonly Scope[]): boolean {
  return scopes.every(({ context, of, may }) => may.every((to) => allows(ceiling, { context, of, to })));
}

/** The resource types that may be read or searched; undefined for every type. */
export function readableTypes(scopes: readonly Scope[]): readonly string[] | undefined {
  const reading = scopes.filter(({ context, may }) => context === "system" && (may.includes("r") || may.includes("s")));
  return reading.some(({ of }) => of === "*") ? undefined : [...new Set(reading.map(({ of }) => of))].sort();
}

/** Kinds of client, each with the most that one of its kind may be allowed. */
export const roles = {
  /** A hospital's integration engine: everything clinical, and the use records. */
  integration: "system/*.cruds tidegate/use-records.cru tidegate/dashboard.r tidegate/thresholds.r",
  /** A remote-monitoring dashboard: reads, and works on Tasks. */
  dashboard: "system/*.rs system/Task.u tidegate/dashboard.r tidegate/thresholds.r",
  /** Whoever buys the service: the definitions of its measures, and nothing about a person. */
  commissioner: "system/Measure.rs",
  /** Whoever runs the service: its configuration, and nothing clinical. */
  administrator: "tidegate/thresholds.ru tidegate/clients.crud",
} as const;

export type Role = keyof typeof roles;

/** The most that a client of a role may be allowed. */
export function ceilingOf(role: Role): readonly Scope[] {
  return readScopes(roles[role]).scopes;
}
