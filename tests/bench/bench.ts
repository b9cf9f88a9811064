/**
 * `npm run bench`: measures what the service does beside the leanest SQL for the same, on one database in one run, in turns,
 * and prints what was found with what must be reached; `--json FILE` writes it to a file as well.
 *
 * `--size small` (a minute or two) or `full` (a million session Observations). DATABASE_URL names a PostgreSQL whose login may
 * create databases; otherwise an embedded one starts in a temporary folder. `--only NAME` measures one of these alone instead:
 * access, plans, population, export, messages, rebuild, months, partitions, processes, start-up, extraction, validation;
 * `--people`, `--rows` and `--months` say how much of it.
 */
import { writeFile } from "node:fs/promises";
import { parseArgs } from "node:util";
import { measureEverything, sizes } from "./everything.ts";
import { openServer } from "./server.ts";
import { singleWorks } from "./single-works.ts";
import { printed } from "./table.ts";
import { openWorkbench } from "./workbench.ts";

const { values } = parseArgs({
  options: {
    size: { type: "string", default: "small" },
    only: { type: "string" },
    people: { type: "string", default: "3000" },
    rows: { type: "string", default: "1000000" },
    months: { type: "string", default: "1" },
    json: { type: "string" },
  },
});

const say = (text: string) => process.stderr.write(`${text}\n`);
const server = await openServer();
try {
  const found = values.only === undefined ? await everything(values.size) : await one(values.only);
  if (values.json !== undefined) await writeFile(values.json, `${JSON.stringify(found, null, 2)}\n`);
} finally {
  await server.close();
}

async function everything(name: string): Promise<unknown> {
  const size = name === "full" || name === "small" ? sizes[name] : undefined;
  if (size === undefined) throw new Error("--size is small or full");
  const effort = name === "full" ? { sliceMs: 1_500, rounds: 8 } : { sliceMs: 700, rounds: 3 };
  const bench = await openWorkbench(server.url, server.folder, effort);
  try {
    const found = await measureEverything(bench, server.another, size, say);
    process.stdout.write(printed(found));
    return found;
  } finally {
    await bench.close();
  }
}

async function one(name: string): Promise<unknown> {
  const work = singleWorks[name];
  if (work === undefined) throw new Error(`--only is one of ${Object.keys(singleWorks).join(", ")}`);
  const asked = {
    people: Number(values.people),
    rows: Number(values.rows),
    months: values.months === "12" ? 12 : 1,
  } as const;
  const found = await work(server.url, asked);
  if (Array.isArray(found)) console.table(found);
  else console.log(found);
  return found;
}
