/** What an address answered. */
export interface FetchedText {
  readonly text: string;
  readonly cacheControl: string;
}

/** An address gave nothing that could be used. The message says why in words of ours, never in those of the answer. */
export class NotFetched extends Error {}

/** Answers of addresses, each kept for a while. */
export interface KeptAnswers<Value> {
  /**
   * The answer of an address, asked for again when it is no longer fresh, or when it does not do for whoever asks. Throws
   * NotFetched where there is none.
   */
  of(url: string, does?: (value: Value) => boolean): Promise<Value>;
}

/** How answers are got and how long they are kept. */
export interface Keeping<Value> {
  now(): number;
  /** Reads an answer; throws NotFetched where it is none. */
  read(text: string): Value;
  readonly fetchText?: (url: string) => Promise<FetchedText>;
  /** The longest that an answer is fresh, whatever its Cache-Control says. */
  readonly longestMs?: number;
  /** How long it still serves when it is no longer fresh and the address gives none; not at all where absent. */
  readonly staleMs?: number;
  /** Told of every fetch that failed. */
  readonly onFailure?: (error: unknown) => void;
}

interface Kept<Value> {
  readonly value: Value;
  readonly fetchedMs: number;
  readonly untilMs: number;
}

const mostAddresses = 1_000;
const longestAnswer = 100_000;
const patienceMs = 5_000;
/** An answer that does not do is asked for again, for it may have changed; not more often than this, for anybody may ask. */
const quietMs = 30_000;
/** An address that failed is left alone for as long as a client is told to wait. */
const retryMs = 5_000;
const [shortestMs, usualMs, dayMs] = [quietMs, 300_000, 86_400_000];

/**
 * Keeps answers as long as their Cache-Control says (from half a minute to a day; five minutes where it says nothing).
 * Questions at the same time share one fetch.
 */
export function keptAnswers<Value>(keeping: Keeping<Value>): KeptAnswers<Value> {
  const { now, read, fetchText = fetchJson, longestMs = dayMs, staleMs = 0, onFailure } = keeping;
  const kept = new Map<string, Kept<Value>>();
  const failed = new Map<string, { readonly error: unknown; readonly untilMs: number }>();
  const waiting = new Map<string, Promise<Value>>();

  async function fetchAnew(url: string): Promise<Value> {
    const failure = failed.get(url);
    if (failure !== undefined && now() < failure.untilMs) throw failure.error;
    try {
      const { text, cacheControl } = await fetchText(url);
      const value = read(text);
      remember(kept, url, { value, fetchedMs: now(), untilMs: now() + freshMs(cacheControl, longestMs) });
      failed.delete(url);
      return value;
    } catch (error) {
      remember(failed, url, { error, untilMs: now() + retryMs });
      onFailure?.(error);
      throw error;
    }
  }

  function fetchOnce(url: string): Promise<Value> {
    const begun = waiting.get(url) ?? fetchAnew(url).finally(() => waiting.delete(url));
    waiting.set(url, begun);
    return begun;
  }

  return {
    async of(url, does = () => true) {
      const known = kept.get(url);
      if (known === undefined) return fetchOnce(url);
      const willDo = does(known.value);
      if (now() < (willDo ? known.untilMs : known.fetchedMs + quietMs)) return known.value;
      const serves = willDo && now() < known.untilMs + staleMs;
      const asked = fetchOnce(url).catch((error: unknown) => {
        if (serves) return known.value;
        throw error;
      });
      // Only the first waits for an address that hangs: while it is away, what is stale serves at once.
      return serves && failed.has(url) ? known.value : asked;
    },
  };
}

function remember<Entry>(map: Map<string, Entry>, url: string, entry: Entry): void {
  map.delete(url);
  map.set(url, entry);
  const [oldest] = map.keys();
  if (map.size > mostAddresses && oldest !== undefined) map.delete(oldest);
}

function freshMs(cacheControl: string, longestMs: number): number {
  if (/\bno-(store|cache)\b/i.test(cacheControl)) return shortestMs;
  const seconds = /\bmax-age=(\d{1,9})\b/i.exec(cacheControl)?.[1];
  return seconds === undefined ? usualMs : Math.min(longestMs, Math.max(shortestMs, Number(seconds) * 1_000));
}

/** https, or http on this very machine (for trying it out); without a login in it. */
export function isSafeAddress(text: string): boolean {
  const url = URL.canParse(text) && text.length <= 1_000 ? new URL(text) : undefined;
  if (url === undefined || url.username !== "" || url.password !== "") return false;
  return url.protocol === "https:" || isOnThisMachine(text);
}

/** Whether an address is http on this very machine. */
export function isOnThisMachine(text: string): boolean {
  const { protocol, hostname } = new URL(text);
  return protocol === "http:" && ["localhost", "127.0.0.1", "[::1]"].includes(hostname);
}

/** Reads JSON; undefined where it is none. */
export function parsedJson(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

/** Fetches a text: no redirects, at most 100 kB, within five seconds. */
async function fetchJson(url: string): Promise<FetchedText> {
  try {
    const answer = await fetch(url, {
      redirect: "error",
      signal: AbortSignal.timeout(patienceMs),
      headers: { accept: "application/json" },
    });
    if (!answer.ok || answer.body === null) throw new NotFetched(`status ${answer.status}`);
    const parts: Uint8Array[] = [];
    let size = 0;
    for await (const part of answer.body) {
      size += part.byteLength;
      if (size > longestAnswer) throw new NotFetched("the answer is too long");
      parts.push(part);
    }
    return { text: Buffer.concat(parts).toString("utf8"), cacheControl: answer.headers.get("cache-control") ?? "" };
  } catch (error) {
    throw error instanceof NotFetched ? error : new NotFetched(failureOf(error));
  }
}

/** What a network error is, in its code: its message may hold what was sent. */
function failureOf(error: unknown): string {
  const { name, cause } = error as { name?: string; cause?: { code?: string; message?: string } };
  if (name === "TimeoutError") return `no answer within ${patienceMs / 1_000} seconds`;
  return cause?.message === "unexpected redirect" ? "it leads elsewhere" : (cause?.code ?? "no connection");
}
