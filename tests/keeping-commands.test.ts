import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { keepingCommands } from "../src/keeping-commands.ts";
import { planted, twoPeople } from "./flows/erasure-world.ts";
import { put, type TestService, testService } from "./support/service.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-06-10T09:00:00Z");
  await twoPeople(here);
}, 60_000);

afterAll(() => here.close());

/** Runs a command as main.ts does; answers what it said, and how it failed. */
async function run(
  line: string,
  config = { RETAIN_UPLOADS_DAYS: 0, RETAIN_VERSIONS_DAYS: 0, RETAIN_AUDIT_DAYS: 0 },
): Promise<{ said: string; failed: string }> {
  const [name = "", ...args] = line.split(" ");
  const lines: string[] = [];
  const place = { service: here.service, ownerUrl: here.connectionString, config, args };
  const failed = await (keepingCommands[name] ?? (() => Promise.reject(new Error("no such command"))))({
    ...place,
    say: (text) => lines.push(text),
  }).then(
    () => "",
    (error: Error) => error.message,
  );
  return { said: lines.join("\n"), failed };
}

describe("a command that cannot be carried out says how it is called, or what is wrong", () => {
  test.each([
    ["erase-person --tenant test --patient ida", "Call it as:\n  erase-person --tenant demo"],
    ["erase-person --tenant test --patient a/b --reason x", "Call it as:"],
    ["erase-person --patient ida --reason x", "Call it as:"],
    ["erase-person --tenant nowhere --patient ida --reason x", 'There is no tenant "nowhere" here.'],
    ["erasure-due --tenant test", "Call it as:\n  erasure-due --tenant demo --years 8"],
    ["apply-retention --days 8", "Unknown option '--days'"],
  ])("%s", async (line, message) => {
    expect((await run(line)).failed).toContain(message);
  });
});

test("retention keeps everything unless it is told for how long", async () => {
  expect((await run("apply-retention")).said).toContain("Everything is kept");
  const soon = { RETAIN_UPLOADS_DAYS: 1, RETAIN_VERSIONS_DAYS: 0, RETAIN_AUDIT_DAYS: 0 };
  expect((await run("apply-retention --dry-run", soon)).said).toMatch(/^A dry run: .*\nNothing is due\./);
});

test("who is due is printed as ids and nothing else", async () => {
  await put(here, { resourceType: "Patient", id: "gone", ...{ deceasedDateTime: "2010-01-01" } });
  expect(await run("erasure-due --tenant test --years 8")).toEqual({ said: "gone", failed: "" });
});

test("an erasure tells how to export first, counts per table, and nothing of the person but the id", async () => {
  const erase = "erase-person --tenant test --patient ida --reason asked --with-devices";
  const trial = await run(`${erase} --dry-run`);
  expect(trial.said).toContain("GET /fhir/Patient/ida/$everything");
  expect(trial.said).toMatch(/A dry run: nothing was changed[\s\S]*\n {2}therapy_session +3\n/);
  const done = await run(erase);
  expect(done.said.replace(/^.*Erased\. .*$/m, "")).toBe(trial.said.replace(/^.*A dry run.*$/m, ""));
  for (const word of Object.values(planted)) expect(done.said).not.toContain(word);
  expect((await run(erase)).said).toMatch(/Patient\/ida: Nothing about this person is here\.$/);
});

test("an erasure that is stopped fails, and says where the person is still named", async () => {
  await put(
    here,
    { resourceType: "Patient", id: "bo", ...{ name: [{ family: "Wendlesham" }] } },
    {
      resourceType: "Condition",
      id: "x",
      ...{ subject: { reference: "Patient/other" }, note: [{ text: "Wendlesham" }] },
    },
  );
  const stopped = await run("erase-person --tenant test --patient bo --reason asked");
  expect(stopped.failed).toBe("Nothing was erased.");
  expect(stopped.said).toMatch(/still stands in:\n {2}Condition\/x$/);
});
