import { existsSync, readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { describe, expect, test } from "vitest";
import { plantedRepository, repository, repositoryFile } from "./source-tree.ts";

const path = "docs/threat-model.md";

/** Links to tests whose file is not there, or holds no test of the words that the link says. */
function brokenPromises(text: string, root: string): string[] {
  return [...text.matchAll(/\[([^\]]+)\]\((\.\.\/tests\/[^)]+)\)/g)].flatMap(([, name = "", target = ""]) => {
    const file = join(root, dirname(path), target);
    if (!existsSync(file)) return [`${target} is not there`];
    return readFileSync(file, "utf8").includes(`"${name}"`) ? [] : [`${target} has no test "${name}"`];
  });
}

test("every test that the threat model names is there, by its own words", () => {
  const text = repositoryFile(path);
  expect(text.match(/\]\(\.\.\/tests\//g)?.length ?? 0).toBeGreaterThan(50);
  expect(brokenPromises(text, repository)).toEqual([]);
});

test("a planted link to a test that is not there, and to one of another name, are caught", () => {
  const root = plantedRepository({ "docs/x.md": "", "tests/a.test.ts": 'test("what holds", () => {});' });
  const text = "[what holds](../tests/a.test.ts) [what does not](../tests/a.test.ts) [gone](../tests/b.test.ts)";
  expect(brokenPromises(text, root)).toEqual([
    '../tests/a.test.ts has no test "what does not"',
    "../tests/b.test.ts is not there",
  ]);
});

describe("the lists that it answers", () => {
  // https://owasp.org/API-Security/editions/2023/en/0x11-t10/
  const risks = [
    ...["Broken Object Level Authorization", "Broken Authentication", "Broken Object Property Level Authorization"],
    ...["Unrestricted Resource Consumption", "Broken Function Level Authorization"],
    ...["Unrestricted Access to Sensitive Business Flows", "Server Side Request Forgery", "Security Misconfiguration"],
    ...["Improper Inventory Management", "Unsafe Consumption of APIs"],
  ];
  // https://github.com/OWASP/ASVS/tree/v4.0.3/4.0/en
  const chapters = [
    ...["Architecture, Design and Threat Modeling", "Authentication", "Session Management", "Access Control"],
    ...[
      "Validation, Sanitization and Encoding",
      "Stored Cryptography",
      "Error Handling and Logging",
      "Data Protection",
    ],
    ...["Communication", "Malicious Code", "Business Logic", "Files and Resources", "API and Web Service"],
    ...["Configuration"],
  ];

  test.each([
    ...risks.map((name, i) => `| API${i + 1} ${name} |`),
    ...chapters.map((name, i) => `| V${i + 1} ${name} |`),
  ])("%s has its answer", (start) => {
    const [row = ""] = repositoryFile(path)
      .split("\n")
      .filter((line) => line.startsWith(start));
    expect(row.slice(start.length).replace(/[\s|]/g, "").length).toBeGreaterThan(20);
  });

  test("every door has its threats of each letter of STRIDE", () => {
    const doors = repositoryFile(path).split(/^### /m).slice(1);
    expect(doors.length).toBe(14);
    for (const door of doors) {
      const letters = [...(door.split(/^## /m)[0]?.matchAll(/^\| ([STRIDE]) \| /gm) ?? [])].map(([, letter]) => letter);
      expect([door.split("\n")[0], [...new Set(letters)].sort().join("")]).toEqual([door.split("\n")[0], "DEIRST"]);
    }
  });
});
