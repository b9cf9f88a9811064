import { tryGetDataType } from "@medplum/core";

const deepest = 5;
const skipped = new Set(["id", "extension", "modifierExtension", "contained", "implicitRules"]);

const primitives: Readonly<Record<string, unknown>> = {
  boolean: true,
  integer: 3,
  positiveInt: 3,
  unsignedInt: 3,
  decimal: 2.5,
  date: "2026-03-01",
  dateTime: "2026-03-01T10:00:00Z",
  instant: "2026-03-01T10:00:00Z",
  time: "10:00:00",
  uri: "http://example.org/uri",
  canonical: "http://example.org/canonical|2.0",
};

/** Codes that R4's own parameters filter by. */
const codes = ["email", "phone", "composed-of", "depends-on", "derived-from", "predecessor", "successor"];

/**
 * A resource of a type with every element filled from its definition, two values in every list. `variant` turns the
 * choice elements through their types and the references through their targets; the values mean nothing.
 */
export function fullResource(type: string, variant: number): object {
  return { resourceType: type, ...elementsOf(type, variant, 0) };
}

function elementsOf(type: string, variant: number, depth: number): Record<string, unknown> {
  const members: Record<string, unknown> = {};
  for (const [key, element] of Object.entries(tryGetDataType(type)?.elements ?? {})) {
    if (skipped.has(key) || key.includes(".") || (depth === 0 && key === "text")) continue;
    const choice = element.type[variant % element.type.length];
    if (choice === undefined) continue;
    const name = key.endsWith("[x]")
      ? key.slice(0, -3) + choice.code.charAt(0).toUpperCase() + choice.code.slice(1)
      : key;
    const values = (element.isArray ? [0, 1] : [0]).map((i) =>
      sampleOf(choice.code, choice.targetProfile, variant + i, depth + 1),
    );
    if (values[0] !== undefined) members[name] = element.isArray ? values : values[0];
  }
  return members;
}

function sampleOf(code: string, targets: readonly string[] | undefined, variant: number, depth: number): unknown {
  if (code === "Reference") {
    const target = targets?.[variant % targets.length]?.split("/").at(-1) ?? "Patient";
    return { reference: `${target === "Resource" ? "Patient" : target}/r${variant}` };
  }
  if (code === "code") return codes[variant % codes.length];
  if (/^[a-z]/.test(code)) return primitives[code] ?? `${code}-${variant}`;
  if (code === "Extension" || code === "Resource" || depth > deepest) return undefined;
  const members = elementsOf(code, variant, depth);
  return Object.keys(members).length === 0 ? undefined : members;
}
