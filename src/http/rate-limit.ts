import rateLimit, { normalizeIP } from "@fastify/rate-limit";
import type { FastifyInstance, FastifyRequest } from "fastify";
import { bearerOf, tokenHash } from "./bearer.ts";
import { RefusedRequest } from "./errors.ts";
import { clientAddressOf } from "./origin.ts";

/** Tokens that are remembered as good, and clients that are counted, at most. */
const mostClients = 10_000;

/**
 * Lets each client through so often a minute; beyond that it gets 429 and is told when to come again. A token that was
 * let in counts for itself. All else counts for its address, the first use of a token too: whoever invents a new token
 * for each request would otherwise never meet a limit.
 */
export async function limitRates(
  app: FastifyInstance,
  perMinute: number,
  trustedProxies: readonly string[] = [],
): Promise<void> {
  const goodTokens = new Set<string>();
  const clientOf = (request: FastifyRequest) => {
    const hash = presentedToken(request);
    if (hash !== undefined && goodTokens.has(hash)) return `token ${hash}`;
    const address = clientAddressOf(trustedProxies, request);
    // One household or one attacker has a whole /64 of IPv6.
    return `address ${address === "" ? "unknown" : normalizeIP(address)}`;
  };
  await app.register(rateLimit, { global: false, cache: mostClients });
  const countUp = app.createRateLimit({ max: perMinute, timeWindow: 60_000, keyGenerator: clientOf });
  // A hook and not the plugin's own, which is only for routes that exist: guessing at addresses counts as well.
  app.addHook("onRequest", async (request, reply) => {
    // Whoever watches over the process must see it live also while it is busy.
    if (request.routeOptions.url?.startsWith("/health/")) return;
    const count = await countUp(request);
    if (count.isAllowed || !count.isExceeded) return;
    reply.header("Retry-After", String(Math.max(1, count.ttlInSeconds)));
    throw new RefusedRequest([tooMany(perMinute, Math.max(1, count.ttlInSeconds))]);
  });
  app.addHook("onResponse", async (request) => {
    const hash = presentedToken(request);
    // Only where access has bound the request to a tenant was the token looked at, and found good.
    if (hash === undefined || !(request.tenantId > 0)) return;
    const [oldest] = goodTokens;
    if (goodTokens.size >= mostClients && oldest !== undefined) goodTokens.delete(oldest);
    goodTokens.add(hash);
  });
}

function tooMany(perMinute: number, seconds: number) {
  const detail = `More than ${perMinute} requests in a minute. Wait ${seconds} s, or send more in one: a search by several values, a batch.`;
  return { kind: "throttled", detail, status: 429 } as const;
}

/** Hash of the token that a request shows, whether or not it is any good. */
function presentedToken(request: FastifyRequest): string | undefined {
  const token = bearerOf(request);
  return token === undefined ? undefined : tokenHash(token);
}
