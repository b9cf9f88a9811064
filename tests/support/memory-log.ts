import { Writable } from "node:stream";
import type { Logger } from "pino";
import type { Config } from "../../src/config.ts";
import { logOf } from "../../src/log.ts";

/** The service's own logger, whose lines stay in memory. */
export function memoryLog(level: Config["LOG_LEVEL"]): { readonly logger: Logger; lines(): string[] } {
  const lines: string[] = [];
  const kept = new Writable({
    write(chunk, _encoding, done) {
      lines.push(
        ...String(chunk)
          .split("\n")
          .filter((line) => line !== ""),
      );
      done();
    },
  });
  return { logger: logOf({ LOG_LEVEL: level }, kept), lines: () => lines };
}
