import { execFile } from "node:child_process";
import { cpSync, readdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { promisify } from "node:util";
import { describe, expect, test } from "vitest";
import { plantedRepository, repository, repositoryFile } from "./source-tree.ts";

const run = promisify(execFile);
const drizzleKit = join(repository, "node_modules/.bin/drizzle-kit");

/** A copy of db/ in which a migration may be generated without leaving it in the real tree. */
function copyOfDatabase(): string {
  const root = plantedRepository({
    "package.json": repositoryFile("package.json"),
    "tsconfig.json": repositoryFile("tsconfig.json"),
    "drizzle.config.ts": repositoryFile("drizzle.config.ts"),
  });
  cpSync(join(repository, "db"), join(root, "db"), { recursive: true });
  return root;
}

function migrationsOf(root: string): string[] {
  return readdirSync(join(root, "db/migrations")).filter((name) => name.endsWith(".sql"));
}

/**
 * The SQL that db/schema still lacks a migration for; empty where the two agree. `drizzle-kit check` does not answer this:
 * it looks for collisions between migrations and never reads the schema. Generating and seeing what comes out does.
 */
async function missingMigrations(root: string): Promise<string[]> {
  const before = new Set(migrationsOf(root));
  // Where a column may have been renamed the tool asks, and with nobody to answer it fails: that is drift as well.
  await run(drizzleKit, ["generate", "--name", "drift"], { cwd: root, timeout: 60_000 });
  return migrationsOf(root)
    .filter((name) => !before.has(name))
    .map((name) => readFileSync(join(root, "db/migrations", name), "utf8"));
}

describe("the migrations say what the schema says", () => {
  test("generating a migration brings nothing new", async () => {
    const root = copyOfDatabase();
    expect(migrationsOf(root).length).toBeGreaterThan(0);
    expect(await missingMigrations(root)).toEqual([]);
  });

  test("the migrations do not collide with each other", async () => {
    const { stdout } = await run(drizzleKit, ["check"], { cwd: copyOfDatabase() });
    expect(stdout).toContain("Everything's fine");
  });

  test("a table planted in the schema alone is caught", async () => {
    const root = copyOfDatabase();
    const schema = join(root, "db/schema/tenant.ts");
    const planted = 'import { integer as plantedInteger, pgTable as plantedTable } from "drizzle-orm/pg-core";\n';
    const table =
      'export const planted = plantedTable("planted_table", { patientCount: plantedInteger("patient_count") });\n';
    writeFileSync(schema, `${planted}${readFileSync(schema, "utf8")}\n${table}`);
    expect((await missingMigrations(root)).join("\n")).toContain('CREATE TABLE "planted_table"');
  });
});

interface Journal {
  readonly entries: readonly { readonly tag: string; readonly when: number }[];
}

test("the journal names every migration file once, in order", () => {
  const journal: Journal = JSON.parse(repositoryFile("db/migrations/meta/_journal.json"));
  expect(journal.entries.map(({ tag }) => `${tag}.sql`)).toEqual(migrationsOf(repository).sort());
  const times = journal.entries.map(({ when }) => when);
  expect(times).toEqual([...times].sort((one, other) => one - other));
});
