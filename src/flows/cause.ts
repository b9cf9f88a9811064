import { type Cause, causeText, readCause } from "../store/cause.ts";
import type { Service } from "./service.ts";

export type { Cause } from "../store/cause.ts";

/** The service as it works for one request: what it queues names that request, and so do the entries of its jobs. */
export function causedBy(service: Service, cause: Cause | undefined): Service {
  return cause === undefined ? service : { ...service, database: { ...service.database, cause } };
}

/** The request that a job follows from, as its payload names it; undefined where the clock asked, or somebody by a command. */
export function causeOf(payload: unknown): Cause | undefined {
  return readCause((payload as { cause?: unknown } | null | undefined)?.cause);
}

/** The payload with another cause, such as the span of the job itself. */
export function withCause(payload: unknown, cause: Cause | undefined): unknown {
  const text = cause && causeText(cause);
  return text === undefined ? payload : { ...(payload as object | null), cause: text };
}
