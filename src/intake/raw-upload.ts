import type { Refusal } from "../domain/result.ts";

/** An upload taken apart but not yet checked, with no more sessions than are allowed: `at` says where each session stood, as the sender would look for it. */
export interface RawUpload {
  readonly envelope: unknown;
  readonly sessions: readonly {
    readonly at: string;
    readonly received: unknown;
    readonly refusals?: readonly Refusal[];
  }[];
}
