import { spawnSync } from "node:child_process";
import { describe, expect, test } from "vitest";
import { jobLogOn, lastWords } from "../src/log.ts";
import { sourceFiles } from "./house/source-tree.ts";
import { memoryLog } from "./support/memory-log.ts";

// Invented; each stands for what a log must not hold (OWASP Logging Cheat Sheet, "Data to exclude").
const planted = "Fernleighton";

const quoting = () =>
  Object.assign(new Error(`invalid value: "${planted}"\n    at ${planted} (x.ts:1)`), {
    code: "22P02",
    detail: `Key (family)=(${planted})`,
    rawPacket: Buffer.from(planted),
  });

describe("a line of the log", () => {
  test.each<[string, (log: ReturnType<typeof memoryLog>["logger"]) => void]>([
    ["an error alone", (log) => log.error(quoting())],
    ["an error as a field", (log) => log.warn({ err: quoting() })],
    ["an error with its own message as text", (log) => log.info({ err: quoting() }, quoting().message)],
    [
      "an address between quotes",
      (log) => log.warn(`Reply was already sent in the "/fhir/Patient?name=${planted}" (GET) route`),
    ],
    ["a request", (log) => log.info({ req: { url: `/fhir/Patient?name=${planted}` }, res: { body: planted } }, "x")],
    ["a token", (log) => log.info({ token: planted, client: { token: planted } }, "x")],
    [
      "a header",
      (log) => log.info({ headers: { authorization: planted }, req: { headers: { authorization: planted } } }, "x"),
    ],
    [
      "the settings of a connection",
      (log) => log.info({ pool: { connectionString: planted, password: planted } }, "x"),
    ],
  ])("keeps nothing of %s that may be a name or a secret", (_what, write) => {
    const { logger, lines } = memoryLog("trace");
    write(logger);
    write(logger.child({ reqId: "r" }));
    expect(lines()).toHaveLength(2);
    expect(lines().join("\n")).not.toContain(planted);
  });

  test("keeps where an error came from, its code, and a text that is no error's", () => {
    const { logger, lines } = memoryLog("trace");
    logger.error({ err: quoting() }, "stopping failed");
    const [line = ""] = lines();
    expect(JSON.parse(line)).toMatchObject({ msg: "stopping failed", err: { name: "Error", code: "22P02" } });
    expect(line).toContain("log.test.ts");
  });
});

describe("what the job library says", () => {
  test.each([
    [
      `Failed task 12 (review-patient, 3.25ms, attempt 1 of 25) with error '${planted}'`,
      "Failed task 12 (review-patient, 3.25ms, attempt 1 of 25)",
    ],
    [`Worker pool options are { connectionString: 'postgres://u:${planted}@h/d' }`, "Worker pool options are "],
    [
      `Cron hit an error; restarting in 1000ms (attempt 1): Error: ${planted}`,
      "Cron hit an error; restarting in 1000ms (attempt 1)",
    ],
    [`Error\n${planted}`, "Error"],
    ["Completed task 12 (review-patient, 3ms) with success", "Completed task 12 (review-patient, 3ms) with success"],
  ])("is kept up to where it quotes: %s", (said, kept) => {
    const { logger, lines } = memoryLog("trace");
    for (const level of ["error", "debug"]) jobLogOn(logger)(level, said);
    expect(lines().map((line) => (JSON.parse(line) as { job: string }).job)).toEqual([kept, kept]);
  });
});

describe("what a command says that failed", () => {
  test("is the error's message, unless the database may be quoting a record", () => {
    expect(lastWords(new Error("Port 80 is taken."))).toBe("Port 80 is taken.");
    expect(lastWords(quoting())).toBe("The database refused a value (SQLSTATE 22P02).");
    const wrapped = new Error(`Failed query: insert …\nparams: ${planted}`, { cause: { code: "23505" } });
    expect(lastWords(wrapped)).toBe("The database refused a value (SQLSTATE 23505).");
    expect(lastWords(Object.assign(new Error("password authentication failed"), { code: "28P01" }))).toContain(
      "password",
    );
  });
});

test("the service makes no other logger", () => {
  const makers = sourceFiles("src", /\.ts$/).filter(({ text }) =>
    /\bpino\(|console\.(log|error|warn|info|debug)\(/.test(text),
  );
  expect(makers.map(({ path }) => path)).toEqual(["src/log.ts"]);
});

test("a fault that nobody caught ends the process, and is written down without its message", () => {
  const code = `
    import { logCrashes, logOf } from "./src/log.ts";
    logCrashes(logOf({ LOG_LEVEL: "info" }));
    Promise.reject(Object.assign(new Error("${planted}"), { detail: "${planted}" }));
    setTimeout(() => undefined, 10_000);`;
  const ended = spawnSync(process.execPath, ["--input-type=module", "-e", code], { encoding: "utf8" });
  expect(ended.status).toBe(1);
  expect(ended.stdout).toContain("a fault that nobody caught ends the process");
  expect(ended.stdout + ended.stderr).not.toContain(planted);
});
