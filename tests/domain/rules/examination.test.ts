import { expect, test } from "vitest";
import type { Finding } from "../../../src/domain/finding.ts";
import { examination, findingsOf } from "../../../src/domain/rules/examination.ts";
import type { Rule } from "../../../src/domain/rules/rule.ts";
import { examplePicture } from "../example-picture.ts";

const finding: Finding = {
  rule: "example",
  subject: "therapy",
  severity: "review",
  safety: false,
  sinceDay: "2026-03-01",
  text: "Found.",
  evidence: [],
  clearsWhen: "It ends.",
};

/** Two questions, of which the second may not hold. */
function looked(second: boolean) {
  return examination("therapy", (ask) => {
    if (!ask({ name: "first", text: "Yes.", holds: true })) return undefined;
    return ask({ name: "second", text: second ? "Yes." : "No.", holds: second }) ? finding : undefined;
  });
}

test("every question asked is written down, the last being the one that does not hold", () => {
  expect(looked(false)).toEqual({
    subject: "therapy",
    steps: [
      { name: "first", text: "Yes.", holds: true },
      { name: "second", text: "No.", holds: false },
    ],
  });
});

test("where all hold there is a finding", () => {
  expect(looked(true).finding).toBe(finding);
});

test("a rule's findings are those of all it examined", () => {
  const rule: Rule = { code: "example", title: "Example", source: "", examine: () => [looked(true), looked(false)] };
  expect(findingsOf(rule, examplePicture())).toEqual([finding]);
});
