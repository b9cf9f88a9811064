/**
 * `npm run bench`: measures what the real door does with uploads beside the leanest SQL that writes the same rows
 * into the same kind of tables, on the same database in the same run, in alternating slices.
 * DATABASE_URL names a PostgreSQL to use; otherwise an embedded one starts in a temporary folder.
 * Arguments: `--patients 100 --days 90`, and `--plans 1000000` to ask instead how searches over so many Observations are
 * planned; `--access` to ask what tokens and the audit trail cost; `--population 100000` to ask how long the figures of so
 * many people take, and how much memory.
 */
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { parseArgs } from "node:util";
import { Client } from "pg";
import { startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";
import { migrate } from "../../src/store/migrate.ts";
import { measureAccess } from "./access.ts";
import { measurePopulation } from "./population.ts";
import { measureSearchPlans } from "./search-plans.ts";
import { measureUploads } from "./upload.ts";
import { measureValidation } from "./validation.ts";

const { values } = parseArgs({
  options: {
    patients: { type: "string", default: "100" },
    days: { type: "string", default: "90" },
    plans: { type: "string" },
    access: { type: "boolean", default: false },
    population: { type: "string" },
    months: { type: "string", default: "12" },
  },
});
const size = { patients: Number(values.patients), days: Number(values.days) };

const folder = await mkdtemp(join(tmpdir(), "tidegate-bench-"));
const embedded = process.env.DATABASE_URL ? undefined : await startEmbeddedPostgres({ dataFolder: folder });
try {
  const server = process.env.DATABASE_URL ?? embedded?.connectionString ?? "";
  const name = `tidegate_bench_${process.pid}`;
  await onServer(server, `create database ${name}`);
  const address = new URL(server);
  address.pathname = `/${name}`;
  try {
    await migrate(address.href);
    if (values.access) console.table(await measureAccess(address.href));
    else if (values.population !== undefined) {
      const months = values.months === "1" ? 1 : 12;
      const { figures, release } = await measurePopulation(address.href, Number(values.population), months);
      console.table(figures);
      console.log(release);
    } else if (values.plans === undefined) {
      const result = await measureUploads(address.href, size);
      console.table(result.table);
      const sessionMs = await measureValidation();
      console.log(JSON.stringify({ ...size, ...result.figures, sessionMs }));
    } else console.table(await measureSearchPlans(address.href, Number(values.plans)));
  } finally {
    await onServer(server, `drop database ${name} with (force)`);
  }
} finally {
  await embedded?.stop();
  await rm(folder, { recursive: true, force: true });
}

async function onServer(server: string, statement: string): Promise<void> {
  const client = new Client({ connectionString: server });
  await client.connect();
  try {
    await client.query(statement);
  } finally {
    await client.end();
  }
}
