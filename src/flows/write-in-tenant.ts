import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { inTenant, type TenantSession } from "../store/database.ts";
import { isRetryable } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** Thrown to roll a transaction back; `writeInTenant` turns it into its refusals again. */
export class RefusedWrite extends Error {
  readonly refusals: readonly Refusal[];
  constructor(refusals: readonly Refusal[]) {
    super("write refused");
    this.refusals = refusals;
  }
}

/** The value of a result; its refusals roll the transaction back. */
export function orRollBack<T>(result: Result<T>): T {
  if (result.ok) return result.value;
  throw new RefusedWrite(result.refusals);
}

/** The same for one entry of a Bundle, at which its refusals stand. */
export function orRollBackAt<T>(result: Result<T>, at: string): T {
  return result.ok ? result.value : orRollBack(refused(...result.refusals.map((one) => ({ ...one, at }))));
}

/** How often a write is tried that loses against others at the same moment. */
const mostTries = 3;

/**
 * Runs one deed in one transaction. Refusals (`orRollBack`, RefusedWrite) undo all of it and are the answer. Two writers
 * may both find nothing and both make version 1, or wait for each other's locks; the loser looks again.
 */
export async function writeInTenant<T>(
  service: Service,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<Result<T>> {
  for (let tries = 1; ; tries += 1) {
    try {
      return accepted(await inTenant(service.database, tenantId, work));
    } catch (error) {
      if (error instanceof RefusedWrite) return refused(...error.refusals);
      if (!isRetryable(error) || tries === mostTries) throw error;
    }
  }
}
