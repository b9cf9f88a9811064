import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { routeNeeds } from "../../src/http/needs.ts";
import { askForToken, assertionOf, sendForm } from "../support/client.ts";
import { onServer } from "../support/database.ts";
import { memoryLog } from "../support/memory-log.ts";
import { type Neighbourhood, neighbourhood, neverAsked } from "../support/neighbour.ts";
import { sweepOf } from "../support/sweep.ts";
import type { Sweep, Swept } from "../support/sweep-request.ts";

// OWASP API Security Top 10 (2023), API1: broken object level authorization. Every request is sent twice, by the same client:
// where the neighbour has what it asks for, and where that exists nowhere. Nobody may be able to tell the two apart.
let full: Neighbourhood;
let empty: Neighbourhood;
let sweep: Sweep;
const log = memoryLog("info");

beforeAll(async () => {
  full = await neighbourhood(true, log.logger);
  empty = await neighbourhood(false);
  if (full.neighbour === undefined) throw new Error("nobody lives next door");
  sweep = sweepOf(full.neighbour);
}, 120_000);

afterAll(async () => {
  await Promise.all([full?.here.close(), empty?.here.close()]);
});

interface Told {
  readonly request: string;
  readonly status: number;
  readonly headers: Readonly<Record<string, unknown>>;
  readonly body: string;
}

async function ask({ here }: Neighbourhood, method: string, swept: Swept, token: string): Promise<Told> {
  const { url, body: sent, type = url.startsWith("/fhir") ? "application/fhir+json" : "application/json" } = swept;
  // How much of the trail is written must not be a matter of time.
  const isTold = /AuditEvent|\$(ex|im)port/.test(url);
  if (isTold) await here.trail.flush();
  const answer = await here.app.inject({
    method: method as "GET",
    url,
    headers: {
      authorization: `Bearer ${token}`,
      "x-request-id": "sweep",
      ...(sent === undefined ? {} : { "content-type": type }),
      ...swept.headers,
    },
    ...(sent === undefined ? {} : { payload: typeof sent === "string" ? sent : JSON.stringify(sent) }),
  });
  if (isTold) await here.trail.flush();
  const { date: _, "content-length": __, ...headers } = answer.headers;
  const body = inOrder(withoutChance(answer.body));
  return {
    request: `${method} ${url}`,
    status: answer.statusCode,
    headers: JSON.parse(withoutChance(JSON.stringify(headers))),
    body,
  };
}

/** What chance made differs from one try to the next, whoever lives next door: ids of clients and keys, and so their order. */
function withoutChance(text: string): string {
  return text
    .replace(/\b(test|stranger)\.[\w-]{16}(?![\w-])/g, "$1.by-chance")
    .replace(/\b[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\b/g, "key-by-chance");
}

function inOrder(body: string): string {
  if (!body.startsWith('{"clients":')) return body;
  const { clients } = JSON.parse(body) as { clients: object[] };
  return JSON.stringify(clients.map((one) => JSON.stringify(one)).sort());
}

const methodOf = (route: string) => route.split(" ")[0] ?? "";

async function askAll(
  where: Neighbourhood,
  routes: readonly string[],
  token: string,
  headers: Readonly<Record<string, string>> = {},
): Promise<Told[]> {
  const answers: Told[] = [];
  for (const route of routes) {
    for (const swept of sweep[route] ?? []) {
      const one = { ...swept, headers: { ...headers, ...swept.headers } };
      answers.push(await ask(where, methodOf(route), one, token));
    }
  }
  return answers;
}

/** Every row of the neighbour's in every table that has tenants, as the owner of the tables sees it, and its waiting jobs. */
async function neighboursRows(): Promise<Record<string, string[]>> {
  const { connectionString, tenantId } = full.nextDoor;
  return onServer(connectionString, async (client) => {
    await client.query("select set_config('tidegate.tenant', $1, false)", [String(tenantId)]);
    const tables = await client.query<{ name: string }>(
      `select c.relname as name from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'tenant_id'
       where c.relkind in ('r', 'p') and not c.relispartition and c.relname <> 'tenant' and c.relnamespace = 'public'::regnamespace order by 1`,
    );
    const rowsOf = async (name: string, where: string) => {
      const found = await client.query<{ row: string }>(
        `select t::text as row from ${name} t where ${where} order by 1`,
        [tenantId],
      );
      return [name, found.rows.map(({ row }) => row)] as const;
    };
    const rows: (readonly [string, string[]])[] = [];
    for (const { name } of tables.rows) rows.push(await rowsOf(name, "tenant_id = $1"));
    rows.push(await rowsOf("graphile_worker._private_jobs", "(payload ->> 'tenantId')::int = $1"));
    return Object.fromEntries(rows);
  });
}

test("every route of the table is asked", () => {
  expect(Object.keys(sweep).sort()).toEqual(Object.keys(routeNeeds).sort());
});

describe("what the neighbour has and what exists nowhere are answered alike", () => {
  let before: Record<string, string[]>;
  let reached: Set<string>;

  beforeAll(async () => {
    before = await neighboursRows();
    expect(Object.values(before).flat().join("\n")).toContain(neverAsked);
  });

  test("to a client bound to a person, or to an organisation, of the neighbour's", async () => {
    const reads = Object.keys(sweep).filter((route) => methodOf(route) === "GET");
    for (const [i, token] of full.boundTokens.entries()) {
      const told = await askAll(full, reads, token);
      expect(told).toEqual(await askAll(empty, reads, empty.boundTokens[i] ?? ""));
      expect(JSON.stringify(told)).not.toContain(neverAsked);
    }
  }, 120_000);

  test("to whoever breaks the glass", async () => {
    const reads = Object.keys(sweep).filter((route) => methodOf(route) === "GET");
    const glass = { "break-glass": "Nobody answers at the ward" };
    const told = await askAll(full, reads, full.glassToken, glass);
    expect(told.filter(({ status }) => status === 200).length).toBeGreaterThan(20);
    expect(told).toEqual(await askAll(empty, reads, empty.glassToken, glass));
    expect(JSON.stringify(told)).not.toContain(neverAsked);
  }, 120_000);

  test("to a client that may do everything", async () => {
    const from = log.lines().length;
    const told = await askAll(full, Object.keys(sweep), full.here.token);
    reached = new Set(
      log
        .lines()
        .slice(from)
        .map((line) => {
          const { method, route } = JSON.parse(line) as { method: string; route: string };
          return `${method} ${route.replace(/\/$/, "")}`;
        }),
    );
    const nowhere = await askAll(empty, Object.keys(sweep), empty.here.token);
    for (const [i, one] of told.entries()) expect(one).toEqual(nowhere[i]);
    expect(told.filter(({ status }) => status >= 500)).toEqual([]);
    expect(JSON.stringify(told)).not.toContain(neverAsked);
    // The neighbour's page links lead nowhere, though whoever follows them may do everything here.
    const followed = told.filter(({ request }) => /[?&]_?cursor=/.test(request));
    expect(followed.length).toBeGreaterThanOrEqual(full.neighbour?.nextPages.length ?? 0);
    expect(followed.filter(({ status }) => status !== 400 && status !== 404)).toEqual([]);
  }, 120_000);

  test("by requests that really came to every route", () => {
    expect(Object.keys(routeNeeds).filter((route) => !reached.has(route))).toEqual([]);
  });

  test("and none of the neighbour's rows has changed, nor was one added", async () => {
    expect(await neighboursRows()).toEqual(before);
  });
});

describe("the doors of tokens", () => {
  const nobodys = `${(2).toString(36)}.${"A".repeat(43)}`;

  test.each(["/auth/introspect", "/auth/revoke"])(
    "%s tells of the neighbour's token what it tells of none",
    async (url) => {
      const token = full.neighbour?.token ?? "";
      const answers: Awaited<ReturnType<typeof sendForm>>[] = [];
      for (const one of [token, nobodys])
        answers.push(await sendForm(full.here, url, { token: one }, full.clientToken));
      expect(answers.map(({ statusCode, body }) => [statusCode, body])).toEqual(
        Array.from({ length: 2 }, () => [200, url.endsWith("revoke") ? "{}" : '{"active":false}']),
      );
      expect((await sendForm(full.here, "/auth/introspect", { token }, token)).json()).toMatchObject({ active: true });
    },
  );

  test("an assertion in the name of the neighbour's client is answered like one in nobody's", async () => {
    const theirs = full.neighbour?.client.clientId ?? "";
    const nobody = `stranger.${"A".repeat(16)}`;
    for (const kid of ["unknown", full.client.kid, full.neighbour?.client.kid ?? ""]) {
      for (const header of [
        { kid },
        { kid, jku: "https://keys.example/jwks" },
        { kid, alg: "ES384" },
        { kid, typ: "x" },
      ]) {
        const answers: Awaited<ReturnType<typeof sendForm>>[] = [];
        for (const clientId of [theirs, nobody]) {
          const assertion = await assertionOf(full.here, { ...full.client, clientId }, {}, header);
          answers.push(await askForToken(full.here, assertion));
        }
        const [one, other] = answers.map(({ statusCode, body }) => [statusCode, body]);
        expect(one?.[0]).toBe(401);
        expect(one).toEqual(other);
      }
    }
  });
});

test("the neighbour itself is answered otherwise, at every request", async () => {
  const routes = Object.keys(sweep);
  const theirs = await askAll(full, routes, full.here.strangersToken);
  const nobodys = await askAll(empty, routes, empty.here.strangersToken);
  const alike = theirs.filter((one, i) => JSON.stringify(one) === JSON.stringify(nobodys[i]));
  // A client is registered, an export or import begun, as it is asked for, whatever else is there; and a stream of no topic is
  // refused (one that is opened says nothing at first: tests/http/event-streams.test.ts).
  const begins = /\/\$(export(\?|$)|import)/;
  const others = alike.map(({ request }) => request).filter((request) => !begins.test(request));
  expect([...new Set(others)]).toEqual(["GET /api/v1/events?topic=nothing", "POST /api/v1/clients"]);
}, 120_000);
