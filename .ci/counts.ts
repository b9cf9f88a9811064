import { readFileSync } from "node:fs";

// Prints what vitest counted, one line a run, and the sum as the last line: "N passed, N failed".
// Takes pairs of a name and the file of vitest's JSON reporter. A file that cannot be read, or counts nothing, is a failure.

interface Report {
  readonly numPassedTests: number;
  readonly numFailedTests: number;
  readonly numPendingTests: number;
  readonly testResults: readonly {
    readonly status: string;
    readonly assertionResults: readonly { readonly status: string }[];
  }[];
}

interface Counts {
  readonly passed: number;
  readonly failed: number;
  readonly skipped: number;
}

function countsOf(file: string): Counts {
  const report: Report = JSON.parse(readFileSync(file, "utf8"));
  // A file that does not even load has no failed test in vitest's own count.
  const brokenFiles = report.testResults.filter(
    ({ status, assertionResults }) => status === "failed" && !assertionResults.some((test) => test.status === "failed"),
  ).length;
  const counts = {
    passed: report.numPassedTests,
    failed: report.numFailedTests + brokenFiles,
    skipped: report.numPendingTests,
  };
  if (!Object.values(counts).every(Number.isInteger)) throw new Error(`${file} holds no counts`);
  return counts;
}

const argumentsGiven = process.argv.slice(2);
let passed = 0;
let failed = 0;
let emptyRuns = 0;
for (let index = 0; index < argumentsGiven.length; index += 2) {
  const [name = "", file = ""] = argumentsGiven.slice(index, index + 2);
  const counts = countsOf(file);
  process.stdout.write(`${name}: ${counts.passed} passed, ${counts.failed} failed, ${counts.skipped} skipped\n`);
  passed += counts.passed;
  failed += counts.failed;
  if (counts.passed + counts.failed === 0) emptyRuns += 1;
}
process.stdout.write(`${passed} passed, ${failed} failed\n`);
process.exitCode = failed > 0 || emptyRuns > 0 || argumentsGiven.length === 0 ? 1 : 0;
