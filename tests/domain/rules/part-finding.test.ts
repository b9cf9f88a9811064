import { expect, test } from "vitest";
import { partFinding } from "../../../src/domain/rules/part-finding.ts";

const part = { partId: "part-1", kind: "valve", fittedDay: "2026-03-01" };

test("a part at its use limit is told in sessions", () => {
  const kind = { code: "valve", title: "Valve", replaceAfterSessions: 60, leadDays: 7, source: "local policy" };
  const limit = { reason: "use-limit", day: "2026-03-15", fromDay: "2026-03-15" } as const;
  const finding = partFinding(
    "part-due",
    { part, kind, asked: true, state: "due", daysOverdue: 0, limit },
    "2026-03-15",
    "2026-03-15",
  );
  expect(finding.text).toBe(
    "Valve fitted on 1 March 2026: reached its limit of 60 sessions on 15 March 2026, to be replaced.",
  );
  expect(finding.evidence.at(-1)?.text).toBe("Interval: local policy.");
});

test("a part of a kind nobody configured is named by its code", () => {
  const limit = { reason: "soiled", day: "2026-03-15", fromDay: "2026-03-15" } as const;
  const finding = partFinding(
    "part-due",
    { part, asked: true, state: "due", daysOverdue: 0, limit },
    "2026-03-15",
    "2026-03-15",
  );
  expect(finding.text).toContain('Part of kind "valve" fitted on 1 March 2026');
  expect(finding.evidence.map((one) => one.name)).toEqual(["fitted", "replace-by"]);
});
