import { createHash } from "node:crypto";
import type { FastifyReply, FastifyRequest } from "fastify";
import { z } from "zod";
import { allows } from "../fhir/scopes.ts";
import {
  auditOf,
  bodyOf,
  type FrozenRelease,
  type ReleaseSight,
  readFrozen,
  readRelease,
  releases,
  requestRelease,
  type StoredRelease,
  signRelease,
  withdrawRelease,
} from "../flows/release.ts";
import { type ApiInstance, outcomeSchema } from "./api-schemas.ts";
import { cautions } from "./doors.ts";
import { answered } from "./fhir-answer.ts";
import { releaseCsv } from "./release-csv.ts";
import { pagePolicy, releasePage } from "./release-page.ts";
import {
  frozenSchema,
  listAnswer,
  listQuery,
  numberParams,
  requestBody,
  signBody,
  summarySchema,
  withdrawBody,
} from "./release-schemas.ts";

/** Addresses of releases and what they take. */
export const releaseAddresses = {
  "/releases": ["GET", "POST"],
  "/releases/:number": ["GET"],
  "/releases/:number.csv": ["GET"],
  "/releases/:number/page": ["GET"],
  "/releases/:number/sign-off": ["POST"],
  "/releases/:number/withdraw": ["POST"],
} as const;

const tags = ["Releases"];

/** Population figures for commissioners: asked for, signed off, read as JSON, CSV or a page, withdrawn. */
export function releaseRoutes(app: ApiInstance): void {
  askRoutes(app);
  readRoutes(app);
  decideRoutes(app);
}

/** Drafts and all that goes on show to those who make releases; to others what was released. */
function sightOf({ grant }: FastifyRequest): ReleaseSight {
  const makes = (["c", "u"] as const).some((to) => allows(grant.scopes, { context: "tidegate", of: "releases", to }));
  return makes ? "all" : "released";
}

function askRoutes(app: ApiInstance): void {
  app.post(
    "/releases",
    {
      schema: {
        summary: "Ask for a release of one period",
        description:
          "Made by a job: 202, and GET the Location until it is drafted or refused. Where one of this period and policy stands it is the answer, with 200: its bytes never change.",
        tags,
        body: requestBody,
        response: { 200: summarySchema, 202: summarySchema, "4xx": outcomeSchema },
      },
    },
    async (request, reply) => {
      const { name, ...asked } = request.body;
      const by = { clientId: request.grant.clientId, name };
      const { release, isNew } = answered(await requestRelease(request.service, request.tenantId, { ...asked, by }));
      reply.header("Location", `/api/v1/releases/${release.number}`);
      return reply.code(isNew || release.state === "computing" ? 202 : 200).send(shown(release, "all"));
    },
  );
  app.get(
    "/releases",
    {
      schema: {
        summary: "Releases, the last first",
        description: "`next` is what to send as `before` for the page after this.",
        tags,
        querystring: listQuery,
        response: { 200: listAnswer, "4xx": outcomeSchema },
      },
    },
    async (request) => {
      const { count, before: below = 2_147_483_647 } = request.query;
      const sight = sightOf(request);
      const found = await releases(request.service, request.tenantId, sight, { count, below });
      const last = found.length === count ? found.at(-1)?.number : undefined;
      return {
        cautions,
        releases: found.map((one) => shown(one, sight)),
        ...(last === undefined ? {} : { next: last }),
      };
    },
  );
}

function shown(one: StoredRelease, sight: ReleaseSight): z.infer<typeof summarySchema> {
  const { number, period, policy, state, progress, asked, signed, withdrawn, reason, sha256 } = one;
  const did = (step: { name: string; atMs: number }) => ({ name: step.name, at: new Date(step.atMs).toISOString() });
  const audit = auditOf(one);
  return {
    number,
    period,
    policy,
    state,
    ...(signed === undefined ? {} : { signed: did(signed) }),
    ...(sha256 === undefined ? {} : { sha256 }),
    ...(sight === "released"
      ? {}
      : {
          progress,
          asked: did(asked),
          ...(withdrawn === undefined ? {} : { withdrawn: did(withdrawn) }),
          ...(reason === undefined ? {} : { reason }),
          ...(audit === undefined ? {} : { audit: { ...audit } }),
        }),
  };
}

function readRoutes(app: ApiInstance): void {
  const response = { "4xx": outcomeSchema };
  app.get(
    "/releases/:number",
    {
      schema: {
        summary: "One release as JSON, the very bytes that were frozen",
        description:
          "The ETag is their SHA-256. A count, percentage or median of null is hidden. `Accept: text/csv` gives the CSV. While it is made, and where it was refused, its state to those who make releases.",
        tags,
        params: numberParams,
        response: { 200: z.union([frozenSchema, summarySchema, z.string()]), ...response },
      },
    },
    async (request, reply) => {
      reply.header("Vary", "Accept");
      if (/\btext\/csv\b/.test(request.headers.accept ?? "")) return sendCsv(request, reply);
      const sight = sightOf(request);
      const { number } = request.params;
      const found = answered(await readRelease(request.service, request.tenantId, number, sight));
      reply.serializer(String);
      reply.type("application/json; charset=utf-8");
      if (found.body === undefined || found.state === "withdrawn") return JSON.stringify(shown(found, sight));
      return sendOnce(request, reply, found.body);
    },
  );
  app.get(
    "/releases/:number.csv",
    {
      schema: {
        summary: "One release as CSV",
        description: "Three blocks: what must be known, definitions, figures. A star is a hidden figure.",
        tags,
        params: numberParams,
        response: { 200: z.string(), ...response },
      },
    },
    sendCsv,
  );
  app.get(
    "/releases/:number/page",
    {
      schema: {
        summary: "One release as a page to read and print",
        description: "HTML with tables and bar charts, without any script.",
        tags,
        params: numberParams,
        response: { 200: z.string(), ...response },
      },
    },
    async (request, reply) => {
      const frozen = await frozenOf(request);
      reply.type("text/html; charset=utf-8").header("Content-Security-Policy", pagePolicy);
      reply.serializer(String);
      return sendOnce(request, reply, releasePage(bodyOf(frozen), frozen.sha256, isDraft(frozen), cautions));
    },
  );
}

const isDraft = ({ release }: FrozenRelease) => release.state !== "released";

async function frozenOf(request: FastifyRequest): Promise<FrozenRelease> {
  const { number } = request.params as { number: number };
  return answered(await readFrozen(request.service, request.tenantId, number, sightOf(request)));
}

async function sendCsv(request: FastifyRequest, reply: FastifyReply): Promise<string> {
  const frozen = await frozenOf(request);
  const draft = isDraft(frozen) ? "-draft" : "";
  reply.type("text/csv; charset=utf-8");
  reply.header("Content-Disposition", `attachment; filename="release-${frozen.release.number}${draft}.csv"`);
  reply.serializer(String);
  return sendOnce(request, reply, releaseCsv(bodyOf(frozen), frozen.sha256, isDraft(frozen), cautions));
}

/** The text under its own hash, or 304 to who has it (RFC 9110, 13.1.2). */
function sendOnce(request: FastifyRequest, reply: FastifyReply, content: string): string {
  const tag = `"${createHash("sha256").update(content).digest("hex")}"`;
  reply.header("ETag", tag);
  const known = (request.headers["if-none-match"] ?? "").split(",").map((one) => one.trim().replace(/^W\//, ""));
  if (!known.includes(tag) && !known.includes("*")) return content;
  reply.code(304);
  return "";
}

function decideRoutes(app: ApiInstance): void {
  const response = { 200: summarySchema, "4xx": outcomeSchema };
  app.post(
    "/releases/:number/sign-off",
    {
      schema: {
        summary: "Publish a draft",
        description: "By a second person, and with another client than the one that asked where there is one that may.",
        tags,
        params: numberParams,
        body: signBody,
        response,
      },
    },
    async (request) => {
      const by = { clientId: request.grant.clientId, name: request.body.name };
      return shown(answered(await signRelease(request.service, request.tenantId, request.params.number, by)), "all");
    },
  );
  app.post(
    "/releases/:number/withdraw",
    {
      schema: {
        summary: "Withdraw a draft or a published release",
        description: "It is not shown any more, and readers are told why. Later audits still know what was published.",
        tags,
        params: numberParams,
        body: withdrawBody,
        response,
      },
    },
    async (request) => {
      const { name, reason } = request.body;
      const by = { clientId: request.grant.clientId, name };
      const { number } = request.params;
      return shown(answered(await withdrawRelease(request.service, request.tenantId, number, by, reason)), "all");
    },
  );
}
