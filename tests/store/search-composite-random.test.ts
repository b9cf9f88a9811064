import type { MolecularSequence, Observation } from "@medplum/fhirtypes";
import fc from "fast-check";
import { afterAll, beforeAll, expect, test } from "vitest";
import { openSearchWorld, type SearchWorld } from "./search-world.ts";

let world: SearchWorld;
let tenants = 0;

beforeAll(async () => {
  world = await openSearchWorld("all");
});

afterAll(() => world.close());

const ucum = "http://unitsofmeasure.org";

// UCUM: L/s is 60 L/min, L is 1000 mL (https://ucum.org/ucum, from the definitions of min and of the prefix m).
const units = {
  "L/min": { kind: "flow", factor: 1 },
  "L/s": { kind: "flow", factor: 60 },
  mL: { kind: "volume", factor: 1 },
  L: { kind: "volume", factor: 1_000 },
} as const;
type Unit = keyof typeof units;

interface Measured {
  readonly code: string;
  readonly value: number;
  readonly unit: Unit;
}

interface Asked extends Measured {
  readonly prefix: "" | "eq" | "ne" | "gt" | "lt" | "ge" | "le";
}

const measured = fc.record({
  code: fc.constantFrom("a", "b", "c"),
  value: fc.oneof(fc.integer({ min: -3, max: 6 }), fc.constantFrom(60, 120, 180, 1_000, 2_000)),
  unit: fc.constantFrom(...(Object.keys(units) as Unit[])),
});
const asked = fc
  .tuple(measured, fc.constantFrom("" as const, "eq", "ne", "gt", "lt", "ge", "le"))
  .map(([one, prefix]): Asked => ({ ...one, prefix }));

/**
 * One element, read by hand: https://hl7.org/fhir/R4/search.html#prefix, where a number without a fraction stands for
 * half of its last digit to either side (https://hl7.org/fhir/R4/search.html#number).
 */
function meets({ prefix, code, value, unit }: Asked, one: Measured): boolean {
  if (one.code !== code || units[one.unit].kind !== units[unit].kind) return false;
  const { factor } = units[unit];
  const [found, wanted] = [one.value * units[one.unit].factor, value * factor];
  const same = found >= wanted - factor / 2 && found < wanted + factor / 2;
  switch (prefix) {
    case "ne":
      return !same;
    case "gt":
      return found > wanted;
    case "lt":
      return found < wanted;
    case "ge":
      return found >= wanted;
    case "le":
      return found <= wanted;
    default:
      return same;
  }
}

function amount({ value, unit }: Measured) {
  return { value, unit, system: ucum, code: unit };
}

function code(text: string) {
  return { coding: [{ code: text }] };
}

interface Drawn {
  readonly own: Measured | undefined;
  readonly components: readonly Measured[];
}

function observation({ own, components }: Drawn, i: number): Observation {
  return {
    resourceType: "Observation",
    id: `o${String(i).padStart(2, "0")}`,
    status: "final",
    code: code(own?.code ?? "none"),
    ...(own === undefined ? {} : { valueQuantity: amount(own) }),
    component: components.map((one) => ({ code: code(one.code), valueQuantity: amount(one) })),
  };
}

async function freshTenant() {
  tenants += 1;
  return world.tenant(`drawn ${tenants}`);
}

// https://hl7.org/fhir/R4/search.html#combining: each element is taken by itself.
test("drawn observations are found by their composites as they are when each element is read by hand", async () => {
  const drawn = fc.record({
    own: fc.option(measured, { nil: undefined }),
    components: fc.array(measured, { maxLength: 4 }),
  });
  await fc.assert(
    fc.asyncProperty(
      fc.array(drawn, { minLength: 10, maxLength: 25 }),
      fc.array(asked, { minLength: 4, maxLength: 8 }),
      async (observations, questions) => {
        const tenant = await freshTenant();
        const resources = observations.map(observation);
        await tenant.save(...resources);
        for (const one of questions) {
          const value = `${one.code}$${one.prefix}${one.value}|${ucum}|${one.unit}`;
          const expected = (meant: (drawn: Drawn) => readonly Measured[]) =>
            resources.filter((_, i) => meant(observations[i] as Drawn).some((m) => meets(one, m))).map(({ id }) => id);
          const whole = ({ own }: Drawn) => (own === undefined ? [] : [own]);
          const cases = [
            ["component-code-value-quantity", ({ components }: Drawn) => components],
            ["code-value-quantity", whole],
            ["combo-code-value-quantity", (d: Drawn) => [...whole(d), ...d.components]],
          ] as const;
          for (const [name, meant] of cases)
            expect(await tenant.ids("Observation", `${name}=${value}`), `${name}=${value}`).toEqual(expected(meant));
        }
      },
    ),
    { numRuns: 15 },
  );
});

// https://hl7.org/fhir/R4/molecularsequence.html#search: three parts, two of them numbers of one variant.
test("drawn variants are found by chromosome, start and end as they are when each is read by hand", async () => {
  const edge = fc.integer({ min: 1, max: 4 });
  const drawn = fc.record({
    chromosome: fc.constantFrom("1", "2"),
    variants: fc.array(fc.tuple(edge, edge), { maxLength: 4 }),
  });
  const question = fc.record({
    chromosome: fc.constantFrom("1", "2"),
    prefix: fc.constantFrom("" as const, "gt"),
    start: edge,
    end: edge,
  });
  await fc.assert(
    fc.asyncProperty(
      fc.array(drawn, { minLength: 8, maxLength: 20 }),
      fc.array(question, { minLength: 4, maxLength: 8 }),
      async (sequences, questions) => {
        const tenant = await freshTenant();
        const resources = sequences.map(
          ({ chromosome, variants }, i): MolecularSequence => ({
            resourceType: "MolecularSequence",
            id: `s${String(i).padStart(2, "0")}`,
            coordinateSystem: 0,
            referenceSeq: { chromosome: code(chromosome) },
            variant: variants.map(([start, end]) => ({ start, end })),
          }),
        );
        await tenant.save(...resources);
        for (const { chromosome, prefix, start, end } of questions) {
          const value = `${chromosome}$${prefix}${start}$${end}`;
          const expected = resources.filter((_, i) =>
            sequences[i]?.variants.some(
              ([from, to]) =>
                sequences[i]?.chromosome === chromosome &&
                (prefix === "gt" ? from > start : from === start) &&
                to === end,
            ),
          );
          const found = await tenant.ids("MolecularSequence", `chromosome-variant-coordinate=${value}`);
          expect(found, value).toEqual(expected.map(({ id }) => id));
        }
      },
    ),
    { numRuns: 10 },
  );
});
