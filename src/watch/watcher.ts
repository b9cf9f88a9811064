import type { FastifyInstance } from "fastify";
import type { Cause } from "../flows/cause.ts";
import type { StatementWatch } from "../store/database.ts";

/** Somebody who counts or times what the service does, and takes no part in it. */
export interface Watcher {
  watchApp(app: FastifyInstance): void;
  readonly onStatement: StatementWatch;
  /** Told as a job begins; answers what its own work goes back to, and what to call when it has ended. */
  onJob(kind: string, cause: Cause | undefined): { readonly cause?: Cause; ended(error?: unknown): void };
  /** Told as a request goes to the endpoint of a Subscription; answers what to call with why it was not taken, if so. */
  onSend(): (problem: string | undefined) => void;
  close(): Promise<void>;
}
