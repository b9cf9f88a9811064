import type { Writable } from "node:stream";
import type { PoolClient, QueryResult } from "pg";
import type { Cause } from "./cause.ts";

/** A resource that was stored: its next version, or that it is deleted. */
export interface Written {
  readonly reference: string;
  readonly action: "create" | "update" | "delete";
  readonly patientId?: string;
}

/** A connection bound to one tenant: row-level security shows it that tenant's rows and no others. */
export interface TenantSession {
  readonly tenantId: number;
  /** What the transaction has stored of resources so far. */
  readonly written: Written[];
  /** The request that it goes back to, where one is known. */
  readonly cause?: Cause;
  query<Row>(text: string, values?: readonly unknown[], plan?: Planning): Promise<Row[]>;
  /**
   * Asks what nothing else in the transaction waits for, so that it leaves together with what follows, the commit at the latest.
   * `then` hears its answer. Where it fails, so does the transaction.
   */
  send<Row>(text: string, values?: readonly unknown[], then?: (rows: Row[]) => void): void;
  /** Answers of what was sent so; whoever ends the transaction waits for them. */
  readonly unanswered: Promise<unknown>[];
}

/**
 * When a statement is planned: once a connection, or each time it is asked. Each time, where the best way hangs on what is asked
 * for (a code that all have, or that three have), or where a table may have been empty when it was planned first: planning costs a
 * millisecond, the wrong way a thousand.
 */
export type Planning = "once" | "each time";

/** Told of every statement as it is sent, by its text, which holds no values; what it answers is called when that has ended. */
export type StatementWatch = (text: string, cause: Cause | undefined) => (error?: unknown) => void;

/** A session on a connection; each answer waits until what bound the connection to its tenant was carried out. */
export function sessionOn(
  client: PoolClient,
  tenantId: number,
  bound: Promise<unknown>,
  { cause, onStatement }: { readonly cause?: Cause; readonly onStatement?: StatementWatch } = {},
): TenantSession {
  async function query<Row>(text: string, values: readonly unknown[] = [], plan: Planning = "once"): Promise<Row[]> {
    const ended = onStatement?.(text, cause);
    // Both ways of the setting leave with the statement; a reset goes back to what the connection began with.
    if (plan === "each time") sentAhead(client, "set plan_cache_mode to force_custom_plan");
    const asked = sent(client, { text, values: [...values], name: statementName(text) });
    if (plan === "each time") sentAhead(client, "reset plan_cache_mode");
    if (ended !== undefined) asked.then(() => ended(), ended);
    const [answer] = await Promise.all([asked, bound]);
    return answer.rows as Row[];
  }
  const unanswered: Promise<unknown>[] = [];
  return {
    tenantId,
    written: [],
    unanswered,
    ...(cause === undefined ? {} : { cause }),
    query,
    send<Row>(text: string, values?: readonly unknown[], then?: (rows: Row[]) => void) {
      const answer = query<Row>(text, values).then(then);
      // Heard of by whoever ends the transaction, which may be after it failed.
      answer.catch(() => undefined);
      unanswered.push(answer);
    },
  };
}

/** Sends what binds a connection. What comes behind it need not wait to be sent, and hears of its error with its own answer. */
export function sentAhead(client: PoolClient, statement: string | Statement): Promise<QueryResult> {
  const answer = sent(client, statement);
  answer.catch(() => undefined);
  return answer;
}

interface Statement {
  readonly text: string;
  readonly values: unknown[];
  readonly name: string | undefined;
}

/** Statements that are asked in one turn leave in one packet: a way into the kernel costs more than most of them. */
function sent(client: PoolClient, statement: string | Statement) {
  const { stream } = (client as unknown as { connection: { stream: Writable } }).connection;
  if (stream.writableCorked === 0) {
    stream.cork();
    process.nextTick(() => stream.uncork());
  }
  return client.query(statement as Statement);
}

const statementNames = new Map<string, string>();

/** Names a statement so that each connection plans it once. Texts are few; the bound guards against a search that makes many. */
function statementName(text: string): string | undefined {
  const known = statementNames.get(text);
  if (known !== undefined) return known;
  if (statementNames.size >= 500) return undefined;
  const name = `s${statementNames.size}`;
  statementNames.set(text, name);
  return name;
}
