import { describe, expect, test } from "vitest";
import { type AuthorityRule, settleIdentifier, unknownSystem } from "../../src/domain/identifier-authority.ts";

const rules: readonly AuthorityRule[] = [
  { namespace: "NHS", system: "https://fhir.nhs.uk/Id/nhs-number", trust: "certain", checkDigit: "nhs-number" },
  { universalId: "1.2.3", namespace: "MOOR", system: "urn:example:moor", trust: "claimed" },
];
const unknown = { base: "https://base.example", sender: "NORTHMOOR" };
const settle = (value: string, authority: Parameters<typeof unknownSystem>[0]) =>
  settleIdentifier({ value, authority, typeCode: "MR", at: "PID-3[1]" }, rules, unknown);

describe("an identifier", () => {
  test("goes under the system of its authority, whatever the case of the name", () => {
    expect(settle("401 023 2137", { namespace: "nhs" })).toEqual({
      ok: true,
      value: { system: "https://fhir.nhs.uk/Id/nhs-number", value: "4010232137", typeCode: "MR", trust: "certain" },
    });
  });

  test("of an authority with a universal id is known by that, not by its name", () => {
    expect(settle("1", { namespace: "MOOR", universalId: "1.2.3" })).toMatchObject({
      value: { system: "urn:example:moor" },
    });
    expect(settle("1", { namespace: "MOOR", universalId: "9.9" })).toMatchObject({ value: { trust: "claimed" } });
  });

  test("that fails its check digit is refused, and the refusal does not repeat it", () => {
    const answer = settle("4010232138", { namespace: "NHS" });
    expect(answer).toMatchObject({ ok: false, refusals: [{ at: "PID-3[1]" }] });
    expect(JSON.stringify(answer)).not.toContain("4010232138");
  });

  test("of an authority that nobody configured is claimed only", () => {
    expect(settle("1", { namespace: "CLINIC" })).toMatchObject({
      value: { system: "https://base.example/CLINIC", trust: "claimed" },
    });
  });
});

test.each([
  [{ universalId: "1.2.840.99", universalIdType: "ISO" }, "urn:oid:1.2.840.99"],
  [
    { universalId: "C0FFEE00-0000-4000-8000-000000000000", universalIdType: "UUID" },
    "urn:uuid:c0ffee00-0000-4000-8000-000000000000",
  ],
  [{ universalId: "https://moor.example/ids", universalIdType: "URI" }, "https://moor.example/ids"],
  [{ universalId: "not an oid", universalIdType: "ISO" }, "https://base.example/not%20an%20oid"],
  [{ namespace: "A/B" }, "https://base.example/A%2FB"],
  [{}, "https://base.example/NORTHMOOR"],
])("an unknown authority %j is %s", (authority, system) => {
  expect(unknownSystem(authority, unknown)).toBe(system);
});
