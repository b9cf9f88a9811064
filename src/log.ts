import { type DestinationStream, type Logger, type LoggerOptions, pino } from "pino";
import type { Config } from "./config.ts";
import { withoutItsMessage } from "./http/errors.ts";

/** Where a token may stand in what somebody logs one day, though nothing of ours logs a request's headers. */
const secrets = [
  ...[
    "authorization",
    "token",
    "assertion",
    "client_assertion",
    "access_token",
    "password",
    "connectionString",
  ].flatMap((name) => [name, `*.${name}`, `*.*.${name}`]),
];

const settings: LoggerOptions = {
  redact: secrets,
  serializers: {
    err: withoutItsMessage,
    // What Fastify would tell of them holds addresses, and those hold names and numbers.
    req: () => undefined,
    res: () => undefined,
  },
  hooks: {
    // Fastify and pino make a line's text of an error's message, or quote an address in it.
    logMethod(args, method) {
      const [first, text] = args as unknown[];
      const fields = first instanceof Error ? { err: first } : first;
      if (typeof fields === "string") return method.apply(this, [withoutQuotes(fields)]);
      const { err } = (fields ?? {}) as { err?: unknown };
      const said = typeof text === "string" && text !== (err as Error | undefined)?.message ? text : undefined;
      return method.apply(this, [fields as object, withoutQuotes(said ?? (err === undefined ? "" : "an error"))]);
    },
  },
};

function withoutQuotes(text: string): string {
  return text.replace(/"[^"]*"/g, '"…"');
}

/** The log of the service: one line of JSON for each event, on standard output; without names, identifiers, bodies and secrets. */
export function logOf({ LOG_LEVEL: level }: Pick<Config, "LOG_LEVEL">, destination?: DestinationStream): Logger {
  const options = { ...settings, level };
  return destination === undefined ? pino(options) : pino(options, destination);
}

/**
 * Takes the words of the job library. Of each only the beginning is kept: what follows quotes errors, and so values, or,
 * with its GRAPHILE_ENABLE_DANGEROUS_LOGS, the password of the database. What a job's error said stands in the job table.
 */
export function jobLogOn(log: Logger): (level: string, message: string) => void {
  return (level, message) => {
    const job = /^.*?(?= with error|[:'"{\n]|$)/.exec(message)?.[0] ?? "";
    if (level === "error") log.error({ job }, "job");
    else log.debug({ job }, "job");
  };
}

/** Ends the process by a fault that nobody caught, as Node does, but without writing out its message. */
export function logCrashes(log: Logger): void {
  process.on("uncaughtException", (error) => {
    log.fatal({ err: error }, "a fault that nobody caught ends the process");
    process.exit(1);
  });
}

/** SQLSTATE classes whose messages quote values (PostgreSQL manual, appendix A): data, constraints, raised by our own code. */
const quoting = /^(22|23|44|P0)...$/;

/** What a command that failed says to whoever ran it: the error's message, unless it may quote a record. */
export function lastWords(error: unknown): string {
  const { code = "", cause } = (error ?? {}) as { code?: unknown; cause?: { code?: unknown } };
  const state = [code, cause?.code ?? ""].find((one) => quoting.test(String(one)));
  if (state !== undefined) return `The database refused a value (SQLSTATE ${state}).`;
  return error instanceof Error ? error.message : "It failed without a word.";
}
