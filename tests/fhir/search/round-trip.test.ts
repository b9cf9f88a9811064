import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import type { Parameter } from "../../../src/fhir/search/parameter.ts";
import type { ParameterKind } from "../../../src/fhir/search/parameter-kind.ts";
import { clause, contextOf, meets } from "./answers.ts";
import { fullResource } from "./full-resource.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "all" });
});

type Shape = Readonly<Record<string, unknown>>;

const escaped = (text: unknown) => String(text).replace(/[\\,|$]/g, "\\$&");

/** How a client asks for a value under a parameter of a kind; undefined where it cannot (https://hl7.org/fhir/R4/search.html#ptypes). */
const askers: Readonly<Record<Exclude<ParameterKind, "composite">, (value: unknown) => string | undefined>> = {
  token(value) {
    if (typeof value !== "object") return escaped(value);
    const shape = value as Shape & { coding?: Shape[] };
    const { system, code, value: text } = (shape.coding?.[0] ?? shape) as Shape;
    const asked = code ?? text;
    return typeof asked === "string" ? `${system === undefined ? "" : escaped(system)}|${escaped(asked)}` : undefined;
  },
  reference(value) {
    const asked = typeof value === "string" ? value : (value as Shape).reference;
    return asked === undefined ? undefined : escaped(asked);
  },
  uri: (value) => escaped(value),
  string(value) {
    if (typeof value === "string") return escaped(value);
    const { text, family } = value as Shape;
    return text === undefined && family === undefined ? undefined : escaped(text ?? family);
  },
  date(value) {
    if (typeof value === "string") return value;
    const { start, end } = value as Shape;
    return start === undefined ? undefined : `ge${start},le${end}`;
  },
  number: (value) => (typeof value === "number" ? String(value) : undefined),
  quantity(value) {
    const { value: number, system, code } = value as Shape;
    if (typeof number !== "number") return undefined;
    return system === undefined ? String(number) : `${number}|${escaped(system)}|${escaped(code)}`;
  },
};

function asked(parameter: Parameter, resource: object): string | undefined {
  if (parameter.kind === "composite") return undefined;
  for (const value of parameter.atoms.flatMap((atom) => atom.read(resource))) {
    const text = askers[parameter.kind](value);
    if (text !== undefined) return text;
  }
  return undefined;
}

// The parameters are R4's own (https://hl7.org/fhir/R4/searchparameter-registry.html), the resources made of its own
// definitions: a question and an index that spell a key differently would show here.
test("whatever a resource holds under any parameter of R4 is found by asking for it", () => {
  const context = contextOf(definitions);
  const tried = new Map<ParameterKind, number>();
  const lost: string[] = [];
  for (const type of definitions.types) {
    const resource = { ...fullResource(type, 0), id: "r" } as Resource;
    for (const parameter of definitions.parameters(type).values()) {
      const value = asked(parameter, resource);
      if (value === undefined) continue;
      tried.set(parameter.kind, (tried.get(parameter.kind) ?? 0) + 1);
      const condition = clause(context, type, parameter.code, value);
      if (!meets(definitions, resource, condition, [])) lost.push(`${type}?${parameter.code}=${value}`);
    }
  }
  expect(lost).toEqual([]);
  const least = { token: 500, reference: 300, date: 100, string: 100, uri: 100, quantity: 3, number: 2 };
  for (const [kind, count] of Object.entries(least))
    expect(tried.get(kind as ParameterKind), kind).toBeGreaterThan(count);
});

test("a resource without any value is found by none of these questions, and by :missing=true alone", () => {
  const context = contextOf(definitions);
  for (const type of definitions.types) {
    const bare = { resourceType: type } as Resource;
    const full = fullResource(type, 0);
    for (const parameter of definitions.parameters(type).values()) {
      const value = asked(parameter, full);
      // Of a deceased[x] that is absent, R4's own expression says `false`.
      if (value === undefined || parameter.atoms.some((atom) => atom.read(bare).length > 0)) continue;
      expect(meets(definitions, bare, clause(context, type, parameter.code, value), []), parameter.url).toBe(false);
      const missing = clause(context, type, `${parameter.code}:missing`, "true");
      expect(meets(definitions, bare, missing, []), parameter.url).toBe(true);
    }
  }
});
