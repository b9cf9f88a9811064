import { describe, expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { partDue } from "../../../src/domain/rules/part-due.ts";
import { examplePicture, instant } from "../example-picture.ts";

const parts = [{ partId: "circuit-1", kind: "circuit", fittedDay: "2026-02-10" }];

test.each([
  ["2026-03-02", 0],
  ["2026-03-03", 1],
  ["2026-03-10", 1],
  ["2026-03-11", 0],
])("a circuit to be replaced by 10 March, seven days of lead time, on %s: %i finding", (today, count) => {
  expect(findingsOf(partDue, examplePicture({ parts, today, nowMs: instant(`${today}T12:00`) }))).toHaveLength(count);
});

test("it names the part, the day and where the interval comes from", () => {
  const today = "2026-03-05";
  expect(findingsOf(partDue, examplePicture({ parts, today, nowMs: instant(`${today}T12:00`) }))).toEqual([
    {
      rule: "part-due",
      subject: "Device/circuit-1",
      severity: "review",
      safety: false,
      sinceDay: "2026-03-03",
      text: "Patient circuit fitted on 10 February 2026: to be replaced by 10 March 2026, 1 month after fitting.",
      evidence: [
        { name: "fitted", text: "Fitted on 10 February 2026.", reference: "Device/circuit-1" },
        { name: "replace-by", text: "Replace by 10 March 2026.", reference: "Device/circuit-1" },
        { name: "rule-source", text: "Interval: common practice, no published source." },
      ],
      clearsWhen: "A newer part of this kind, or the removal of this one, is recorded.",
      focus: "Device/circuit-1",
    },
  ]);
});

test("a part reported soiled today is due today, whatever its age", () => {
  const soiled = [{ partId: "mask-1", kind: "mask", fittedDay: "2026-03-14", soiledDay: "2026-03-15" }];
  const [finding] = findingsOf(partDue, examplePicture({ parts: soiled }));
  expect(finding?.text).toBe(
    "Mask fitted on 14 March 2026: reported soiled or damaged on 15 March 2026, to be replaced at once.",
  );
  expect(finding?.sinceDay).toBe("2026-03-15");
});

describe("a dust filter is to be checked every week", () => {
  const filter = (checkedDay?: string) => [
    {
      partId: "filter-1",
      kind: "dust-filter",
      fittedDay: "2026-02-01",
      ...(checkedDay !== undefined && { checkedDay }),
    },
  ];
  const found = (checkedDay?: string) => findingsOf(partDue, examplePicture({ parts: filter(checkedDay) }));

  test("told as information on the seventh day after the last check, not on the sixth", () => {
    expect(found("2026-03-08")).toMatchObject([{ severity: "information", sinceDay: "2026-03-15" }]);
    expect(found("2026-03-09")).toEqual([]);
  });

  test("never checked counts from the day it was fitted", () => {
    expect(found()[0]?.text).toBe(
      "Dust filter fitted on 1 February 2026: to be checked, every 7 days, and cleaned when dirty.",
    );
  });
});

test("the steps say what limits a part that is not due", () => {
  const [examination] = partDue.examine(examplePicture({ parts: [{ ...parts[0], fittedDay: "2026-03-10" } as never] }));
  expect(examination?.steps.map(({ name, holds }) => [name, holds])).toEqual([
    ["limit", true],
    ["due", false],
  ]);
});
