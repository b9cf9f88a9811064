import { expect, test } from "vitest";
import { pairSubject, possibleDuplicateFinding } from "../../../src/domain/rules/possible-duplicate.ts";

test("two records are one subject, whichever was named first", () => {
  expect(pairSubject(["b", "a"])).toBe("records:a+b");
  expect(pairSubject(["a", "b"])).toBe("records:a+b");
});

test("the finding names both records, why, and no person", () => {
  const finding = possibleDuplicateFinding({ patientIds: ["b", "a"], why: "contradicting-merge", day: "2026-06-10" });
  expect(finding).toMatchObject({
    rule: "possible-duplicate",
    subject: "records:a+b",
    severity: "review",
    focus: "Patient/a",
    sinceDay: "2026-06-10",
  });
  expect(finding.text).toContain("Patient/a and Patient/b may be one person: a message asked to merge them");
  expect(finding.text).toContain("10 June 2026");
  expect(finding.evidence.map(({ reference }) => reference)).toEqual(["Patient/a", "Patient/b"]);
});

test("of a merge that was done although they contradict, it asks whether that was right", () => {
  const { text, clearsWhen } = possibleDuplicateFinding({
    patientIds: ["a", "b"],
    why: "merged-contradicting",
    day: "2026-06-10",
  });
  expect(text).toContain("Patient/a and Patient/b were made one");
  expect(text).toContain("taken back");
  expect(clearsWhen).toContain("A person has looked");
});
