import { join } from "node:path";
import { cruise, type ICruiseResult } from "dependency-cruiser";
import extractDepcruiseOptions from "dependency-cruiser/config-utl/extract-depcruise-options";
import { describe, expect, test } from "vitest";
import { plantedRepository, repository, repositoryFile, sourceFiles } from "./source-tree.ts";

/** What dependency-cruiser finds in `root` under this repository's rules. */
async function cruised(root: string, folders: string[]): Promise<ICruiseResult> {
  const options = await extractDepcruiseOptions(join(repository, ".dependency-cruiser.mjs"));
  const { output } = await cruise(folders, { ...options, baseDir: root }, options.enhancedResolveOptions);
  if (typeof output === "string")
    throw new Error("dependency-cruiser answered with text where its result was asked for");
  return output;
}

function breachesOf(result: ICruiseResult): string[] {
  return result.summary.violations.map(({ rule, from, to }) => `${rule.name}: ${from} -> ${to}`);
}

test("no import crosses a wall, and every source file was looked at", async () => {
  const folders = ["src", "seed", "db", "openapi"].filter((folder) => sourceFiles(folder, /\.ts$/).length > 0);
  const result = await cruised(repository, folders);
  expect(breachesOf(result)).toEqual([]);

  const seen = new Set(result.modules.map((module) => module.source));
  const files = folders.flatMap((folder) => sourceFiles(folder, /\.ts$/)).map(({ path }) => path);
  expect(folders).toContain("src");
  expect(files.filter((path) => !seen.has(path))).toEqual([]);
});

/** Each line: the rule that must bite, the file that breaches, and what is written in it. */
const breaches: [rule: string, path: string, text: string][] = [
  ["domain-rooms", "src/domain/a.ts", 'import { b } from "../fhir/b.ts"; export const a = b;'],
  ["domain-rooms", "src/domain/a.ts", 'import type { B } from "../fhir/b.ts"; export type A = B;'],
  ["domain-rooms", "src/domain/a.ts", 'import { c } from "../config.ts"; export const a = c;'],
  ["domain-packages", "src/domain/a.ts", 'import { z } from "zod"; export const a = z;'],
  ["domain-builtins", "src/domain/a.ts", 'import { randomUUID } from "node:crypto"; export const a = randomUUID;'],
  ["fhir-rooms", "src/fhir/a.ts", 'import { b } from "../store/b.ts"; export const a = b;'],
  ["fhir-packages", "src/fhir/a.ts", 'import pg from "pg"; export const a = pg;'],
  ["fhir-builtins", "src/fhir/a.ts", 'import { get } from "node:http"; export const a = get;'],
  ["intake-rooms", "src/intake/a.ts", 'import { b } from "../fhir/b.ts"; export const a = b;'],
  ["intake-packages", "src/intake/a.ts", 'import { fastify } from "fastify"; export const a = fastify;'],
  ["intake-builtins", "src/intake/a.ts", 'import { connect } from "node:net"; export const a = connect;'],
  ["store-rooms", "src/store/a.ts", 'import { b } from "../flows/b.ts"; export const a = b;'],
  ["store-types", "src/store/a.ts", 'import { b } from "../fhir/b.ts"; export const a = b;'],
  ["store-packages", "src/store/a.ts", 'import { z } from "zod"; export const a = z;'],
  ["flows-rooms", "src/flows/a.ts", 'import { b } from "../http/b.ts"; export const a = b;'],
  ["flows-types", "src/flows/a.ts", 'import { pino } from "pino"; export const a = pino;'],
  ["flows-types", "src/flows/a.ts", 'import { b } from "@medplum/fhirtypes"; export const a = b;'],
  ["flows-packages", "src/flows/a.ts", 'import type { Pool } from "pg"; export type A = Pool;'],
  ["flows-builtins", "src/flows/a.ts", 'import { readFileSync } from "node:fs"; export const a = readFileSync;'],
  ["http-rooms", "src/http/a.ts", 'import { b } from "../store/b.ts"; export const a = b;'],
  ["http-rooms", "src/http/a.ts", 'import { b } from "../domain/b.ts"; export const a = b;'],
  ["http-packages", "src/http/a.ts", 'import pg from "pg"; export const a = pg;'],
  ["mllp-rooms", "src/mllp/a.ts", 'import { b } from "../store/b.ts"; export const a = b;'],
  ["mllp-packages", "src/mllp/a.ts", 'import { fastify } from "fastify"; export const a = fastify;'],
  ["notify-rooms", "src/notify/a.ts", 'import { b } from "../store/b.ts"; export const a = b;'],
  ["notify-packages", "src/notify/a.ts", 'import { fastify } from "fastify"; export const a = fastify;'],
  ["watch-rooms", "src/watch/a.ts", 'import { b } from "../http/b.ts"; export const a = b;'],
  ["watch-packages", "src/watch/a.ts", 'import { z } from "zod"; export const a = z;'],
  ["watch-types", "src/watch/a.ts", 'import { fastify } from "fastify"; export const a = fastify;'],
  ["main-is-the-end", "src/app.ts", 'import { b } from "./main.ts"; export const a = b;'],
  ["no-circle", "src/domain/b.ts", 'import { c } from "./c.ts"; export const b = c;'],
  ["every-room-has-walls", "src/attic/a.ts", 'import { b } from "../domain/b.ts"; export const a = b;'],
  ["every-import-resolves", "src/flows/a.ts", 'import { b } from "./not-there.ts"; export const a = b;'],
  ["shipped-code-needs-shipped-packages", "src/app.ts", 'import { test } from "vitest"; export const a = test;'],
];

const bystanders = {
  "package.json": repositoryFile("package.json"),
  "tsconfig.json": repositoryFile("tsconfig.json"),
  "src/main.ts": "export const b = 1;",
  "src/config.ts": "export const c = 1;",
  "src/domain/b.ts": "export const b = 1; export type B = number;",
  "src/domain/c.ts": 'import { b } from "./b.ts"; export const c = b;',
  "src/fhir/b.ts": "export const b = 1; export type B = number;",
  "src/flows/b.ts": "export const b = 1;",
  "src/http/b.ts": "export const b = 1;",
  "src/store/b.ts": "export const b = 1;",
};

describe("a planted breach is caught", () => {
  test.each(breaches)("%s in %s: %s", async (rule, path, text) => {
    const root = plantedRepository({ ...bystanders, [path]: text });
    const result = await cruised(root, ["src"]);
    expect(new Set(result.summary.violations.map((violation) => violation.rule.name))).toEqual(new Set([rule]));
  });

  test("every wall has its planted breach", async () => {
    const options = await extractDepcruiseOptions(join(repository, ".dependency-cruiser.mjs"));
    const names = (options.ruleSet?.forbidden ?? []).map((rule) => rule.name);
    const planted = new Set(breaches.map(([rule]) => rule));
    // Walls of rooms that may use everything of a kind, or the types of nothing, cannot be breached.
    const cannotBreak = ["store-builtins", "http-builtins", "mllp-builtins", "watch-builtins", "notify-builtins"];
    const noTypes = ["domain-types", "fhir-types", "intake-types", "http-types", "mllp-types", "notify-types"];
    expect(new Set(names.filter((name) => !planted.has(name ?? "")))).toEqual(new Set([...cannotBreak, ...noTypes]));
  });
});

describe("what the walls allow passes", () => {
  test.each([
    ["src/store/a.ts", 'import type { B } from "../fhir/b.ts"; export type A = B;'],
    ["src/flows/a.ts", 'import type { Logger } from "pino"; export type A = Logger;'],
    ["src/flows/a.ts", 'import { jwtVerify } from "jose"; export const a = jwtVerify;'],
    ["src/flows/a.ts", 'import loadHighs from "highs"; export const a = loadHighs;'],
    ["src/fhir/a.ts", 'import type { Patient } from "@medplum/fhirtypes"; export type A = Patient;'],
    ["src/fhir/a.ts", 'import { createHash } from "node:crypto"; export const a = createHash;'],
    ["src/intake/a.ts", 'import { parse } from "csv-parse/sync"; export const a = parse;'],
    ["src/http/a.ts", 'import swagger from "@fastify/swagger"; export const a = swagger;'],
    [
      "src/store/a.ts",
      'import pg from "pg"; import { readFile } from "node:fs/promises"; export const a = [pg, readFile];',
    ],
  ])("%s: %s", async (path, text) => {
    const result = await cruised(plantedRepository({ ...bystanders, [path]: text }), ["src"]);
    expect(breachesOf(result)).toEqual([]);
  });
});
