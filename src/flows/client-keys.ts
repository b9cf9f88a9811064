import { createLocalJWKSet, errors, type JSONWebKeySet, type JWTVerifyGetKey } from "jose";
import type { StoredClient } from "../store/client.ts";
import { readKeySet } from "./key-set.ts";

/** Where the public keys of clients come from. */
export interface ClientKeys {
  /** Keys to check a signature with; throws an error of jose where they cannot be had. */
  of(client: Pick<StoredClient, "jwks" | "jwksUrl">, kid: string): Promise<JWTVerifyGetKey>;
}

interface Fetched {
  readonly set: JSONWebKeySet;
  readonly fetchedMs: number;
  readonly untilMs: number;
}

const mostAddresses = 1_000;
const longestSet = 100_000;
const patienceMs = 5_000;
/** An unknown kid asks again, for keys rotate; not more often than this, for anybody may send an unknown kid. */
const quietMs = 30_000;
const [shortestMs, usualMs, longestMs] = [quietMs, 300_000, 86_400_000];

/**
 * Keys given at registration, else fetched from the client's address and kept as long as its Cache-Control says (from half
 * a minute to a day). Questions at the same time share one fetch.
 */
export function clientKeys(now: () => number, fetchText: (url: string) => Promise<KeyText> = fetchKeys): ClientKeys {
  const kept = new Map<string, Fetched>();
  const waiting = new Map<string, Promise<Fetched>>();
  const fetchOnce = (url: string): Promise<Fetched> => {
    const begun =
      waiting.get(url) ??
      fetchText(url)
        .then(({ text, cacheControl }) => {
          const fetched = { set: setOf(text), fetchedMs: now(), untilMs: now() + freshMs(cacheControl) };
          kept.delete(url);
          kept.set(url, fetched);
          const [oldest] = kept.keys();
          if (kept.size > mostAddresses && oldest !== undefined) kept.delete(oldest);
          return fetched;
        })
        .finally(() => waiting.delete(url));
    waiting.set(url, begun);
    return begun;
  };
  return {
    async of({ jwks, jwksUrl }, kid) {
      if (jwksUrl === undefined) return createLocalJWKSet(jwks as JSONWebKeySet);
      const known = kept.get(jwksUrl);
      const knows = known?.set.keys.some((key) => key.kid === kid) === true;
      if (known !== undefined && (knows ? now() < known.untilMs : now() < known.fetchedMs + quietMs)) {
        return createLocalJWKSet(known.set);
      }
      return createLocalJWKSet((await fetchOnce(jwksUrl)).set);
    },
  };
}

/** Keys of other kinds may stand beside ours in a set that is made for many servers. */
function setOf(text: string): JSONWebKeySet {
  const { set } = readKeySet(parsed(text));
  if (set.keys.length > 0) return set;
  throw new errors.JWKSInvalid("the address of the client's keys holds no usable key");
}

function parsed(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

function freshMs(cacheControl: string): number {
  if (/\bno-(store|cache)\b/i.test(cacheControl)) return shortestMs;
  const seconds = /\bmax-age=(\d{1,9})\b/i.exec(cacheControl)?.[1];
  return seconds === undefined ? usualMs : Math.min(longestMs, Math.max(shortestMs, Number(seconds) * 1_000));
}

/** What an address answered. */
export interface KeyText {
  readonly text: string;
  readonly cacheControl: string;
}

/** Fetches a key set: no redirects, at most 100 kB, within five seconds. */
async function fetchKeys(url: string): Promise<KeyText> {
  try {
    const answer = await fetch(url, {
      redirect: "error",
      signal: AbortSignal.timeout(patienceMs),
      headers: { accept: "application/json" },
    });
    if (!answer.ok || answer.body === null) throw new Error(`status ${answer.status}`);
    const parts: Uint8Array[] = [];
    let size = 0;
    for await (const part of answer.body) {
      size += part.byteLength;
      if (size > longestSet) throw new Error("too long");
      parts.push(part);
    }
    return { text: Buffer.concat(parts).toString("utf8"), cacheControl: answer.headers.get("cache-control") ?? "" };
  } catch {
    throw new errors.JWKSInvalid("the client's keys could not be fetched");
  }
}
