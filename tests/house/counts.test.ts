import { spawnSync } from "node:child_process";
import { join } from "node:path";
import { describe, expect, test } from "vitest";
import { plantedRepository, repository } from "./source-tree.ts";

/** Runs the counter of .ci/run over planted reports of vitest's JSON reporter. */
function counted(reports: Record<string, unknown>): { lines: string[]; status: number | null } {
  const files = Object.fromEntries(Object.entries(reports).map(([name, report]) => [name, JSON.stringify(report)]));
  const root = plantedRepository(files);
  const pairs = Object.keys(files).flatMap((name) => [name, join(root, name)]);
  const { stdout, status } = spawnSync(process.execPath, [join(repository, ".ci/counts.ts"), ...pairs], {
    encoding: "utf8",
  });
  return { lines: stdout.trim().split("\n"), status };
}

function report(
  passed: number,
  failed: number,
  files: { status: string; assertionResults: { status: string }[] }[] = [],
) {
  return { numPassedTests: passed, numFailedTests: failed, numPendingTests: 0, testResults: files };
}

describe("the closing line of .ci/run", () => {
  test("is the sum of what the runs counted", () => {
    const { lines, status } = counted({ all: report(40, 0), store: report(7, 0) });
    expect(lines.at(-1)).toBe("47 passed, 0 failed");
    expect(status).toBe(0);
  });

  test("fails when a test failed", () => {
    const { lines, status } = counted({ all: report(40, 1), store: report(7, 0) });
    expect(lines.at(-1)).toBe("47 passed, 1 failed");
    expect(status).toBe(1);
  });

  test("counts a file that does not load as a failure, though no test of it ran", () => {
    const { lines, status } = counted({ all: report(40, 0, [{ status: "failed", assertionResults: [] }]) });
    expect(lines.at(-1)).toBe("40 passed, 1 failed");
    expect(status).toBe(1);
  });

  test.each([
    ["a run that ran nothing", report(0, 0)],
    ["a report without counts", { testResults: [] }],
    ["something else", null],
  ])("fails on %s", (_, planted) => {
    expect(counted({ all: report(40, 0), store: planted }).status).toBe(1);
  });

  test("fails when it is given nothing to count", () => {
    expect(counted({}).status).toBe(1);
  });
});
