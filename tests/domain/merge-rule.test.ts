import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { decideMerge, type MergeAsked } from "../../src/domain/merge-rule.ts";

const agree = { contradicts: [], agrees: true } as const;
const contradict = { contradicts: ["family", "birthDate"], agrees: false } as const;
const asked = (more: Partial<MergeAsked>): MergeAsked => ({
  of: "merge",
  survivorId: "keep",
  retiredId: "gone",
  survivorTrust: "certain",
  retiredTrust: "certain",
  verdict: agree,
  ...more,
});

describe("a message that asks for a merge", () => {
  test("of two numbers of trusted authorities is followed, and a contradiction is noted", () => {
    expect(decideMerge(asked({}))).toEqual({
      kind: "merge",
      survivorId: "keep",
      retiredId: "gone",
      contradicts: false,
    });
    expect(decideMerge(asked({ verdict: contradict }))).toMatchObject({ kind: "merge", contradicts: true });
  });

  test("of a number that is only claimed is followed where names and birth date agree", () => {
    expect(decideMerge(asked({ retiredTrust: "claimed" })).kind).toBe("merge");
    expect(decideMerge(asked({ retiredTrust: "claimed", verdict: contradict })).kind).toBe("doubt");
    expect(decideMerge(asked({ retiredTrust: "claimed", verdict: { contradicts: [], agrees: false } })).kind).toBe(
      "doubt",
    );
  });

  test("of numbers that are one record already changes no record into another", () => {
    expect(decideMerge(asked({ retiredId: "keep" }))).toEqual({ kind: "note-former", survivorId: "keep" });
  });

  test("of which one is not here renumbers the other", () => {
    const { survivorId: _, ...only } = asked({});
    expect(decideMerge(only)).toEqual({ kind: "renumber", patientId: "gone" });
    const { retiredId: __, ...other } = asked({});
    expect(decideMerge(other)).toEqual({ kind: "note-former", survivorId: "keep" });
  });

  test("of which only the old number is here gives no record the names of somebody else", () => {
    const { survivorId: _, ...certain } = asked({});
    const one = { contradicts: ["family"], agrees: false } as const;
    expect(decideMerge({ ...certain, verdict: one }).kind).toBe("renumber");
    expect(decideMerge({ ...certain, verdict: contradict })).toEqual({ kind: "doubtful-number", patientId: "gone" });
    const claimed = { ...certain, retiredTrust: "claimed" } as const;
    expect(decideMerge({ ...claimed, verdict: agree }).kind).toBe("renumber");
    expect(decideMerge({ ...claimed, verdict: one }).kind).toBe("doubtful-number");
    expect(decideMerge({ ...claimed, verdict: { contradicts: [], agrees: false } }).kind).toBe("doubtful-number");
  });

  test("of two whom a person has called two people waits for a person", () => {
    expect(decideMerge(asked({ saidToDiffer: true }))).toEqual({
      kind: "doubt",
      survivorId: "keep",
      retiredId: "gone",
    });
  });
});

// HL7 v2 3.3.47 (2.3: 3.2.47): A47 changes an identifier that was assigned wrongly; making one of two is A40's (3.3.40).
test("another number for a record never makes one record of two", () => {
  expect(decideMerge(asked({ of: "number" })).kind).toBe("doubt");
});

test("no merge follows a claimed number without agreement, whatever else is so", () => {
  const trust = fc.constantFrom("certain" as const, "claimed" as const);
  const verdict = fc.record({
    contradicts: fc.subarray(["family", "given", "birthDate"] as const),
    agrees: fc.boolean(),
  });
  fc.assert(
    fc.property(trust, trust, verdict, (survivorTrust, retiredTrust, given) => {
      const { kind } = decideMerge(asked({ survivorTrust, retiredTrust, verdict: given }));
      const bothCertain = survivorTrust === "certain" && retiredTrust === "certain";
      expect(kind).toBe(bothCertain || given.agrees ? "merge" : "doubt");
    }),
  );
});
