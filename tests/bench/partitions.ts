import { createHash } from "node:crypto";
import { Client } from "pg";

const shards = 32;
const [warmUp, measured] = [100, 600];

/** Medians in milliseconds, and how many times those of the whole table. */
interface Figure {
  readonly wholeMs: number;
  readonly routedMs: number;
  readonly notRoutedMs: number;
  readonly routedRatio: number;
  readonly notRoutedRatio: number;
}

/**
 * One table of so many clinical rows beside the same rows in 32 partitions by a hash of tenant and patient, which each id
 * carries in its first two characters. Routed statements name the hash, which whoever asks reads from the id or makes of the
 * patient; those that are not routed leave it to PostgreSQL to ask all 32. The same 1,000 rows a person in both, asked in turns.
 */
export async function measurePartitions(connectionString: string, rows: number): Promise<Record<string, Figure>> {
  const client = new Client({ connectionString, options: "-c jit=off" });
  await client.connect();
  try {
    const people = Math.max(32, Math.round(rows / 1_000));
    await fill(client, rows, people);
    return {
      "read by id": await compared(client, people, byId),
      "a person's newest 20": await compared(client, people, newestOfPerson),
    };
  } finally {
    await client.query("drop table if exists bench_whole, bench_hashed");
    await client.end();
  }
}

/** What the service would do: the hash of tenant and patient, 0 to 31. */
function shardOf(patient: string): number {
  return (createHash("md5").update(`1/${patient}`).digest()[0] ?? 0) % shards;
}

const shardInSql = (patient: string) => `(get_byte(decode(md5('1/' || ${patient}), 'hex'), 0) % ${shards})::smallint`;

async function fill(client: Client, rows: number, people: number): Promise<void> {
  const columns = `tenant_id int not null, type text collate "C" not null, id text collate "C" not null, shard smallint not null,
    patient_id text collate "C" not null, started_at timestamptz not null, body text not null`;
  await client.query(`create table bench_whole (${columns}, primary key (tenant_id, type, id))`);
  await client.query(
    `create table bench_hashed (${columns}, primary key (tenant_id, type, id, shard)) partition by list (shard)`,
  );
  for (let shard = 0; shard < shards; shard++) {
    await client.query(`create table bench_hashed_${shard} partition of bench_hashed for values in (${shard})`);
  }
  await client.query(
    `insert into bench_whole
     select 1, 'Observation', to_char(${shardInSql("patient")}, 'FM00') || md5(n::text), ${shardInSql("patient")}, patient,
       timestamptz '2026-01-01' + n * interval '1 minute', repeat(md5(n::text), 20)
     from generate_series(1, $1::int) n, lateral (select 'p' || n % $2::int) as p(patient)`,
    [rows, people],
  );
  await client.query("insert into bench_hashed select * from bench_whole");
  for (const table of ["bench_whole", "bench_hashed"]) {
    await client.query(`create index on ${table} (tenant_id, type, patient_id, started_at)`);
    await client.query(`vacuum analyze ${table}`);
  }
}

interface Question {
  readonly where: string;
  readonly rest: string;
  readonly rows: number;
  /** The value that is asked for, and the shard that it tells. */
  of(n: number, people: number): readonly [value: string, shard: number];
}

const byId: Question = {
  where: "tenant_id = $1 and type = $2 and id = $3",
  rest: "",
  rows: 1,
  of: (n, people) => {
    const shard = shardOf(`p${n % people}`);
    return [`${String(shard).padStart(2, "0")}${createHash("md5").update(String(n)).digest("hex")}`, shard];
  },
};

const newestOfPerson: Question = {
  where: "tenant_id = $1 and type = $2 and patient_id = $3",
  rest: "order by started_at desc limit 20",
  rows: 20,
  of: (n, people) => [`p${n % people}`, shardOf(`p${n % people}`)],
};

async function compared(client: Client, people: number, question: Question): Promise<Figure> {
  const ways = [
    { table: "bench_whole", routed: false },
    { table: "bench_hashed", routed: true },
    { table: "bench_hashed", routed: false },
  ];
  const times = ways.map(() => [] as number[]);
  for (let turn = 0; turn < warmUp + measured; turn++) {
    const [value, shard] = question.of(1 + ((turn * 7_919) % (people * 900)), people);
    for (const [at, { table, routed }] of ways.entries()) {
      const start = performance.now();
      const answer = await client.query({
        name: `${question.rows} ${table} ${routed}`,
        text: `select body from ${table} where ${question.where} ${routed ? "and shard = $4" : ""} ${question.rest}`,
        values: [1, "Observation", value, ...(routed ? [shard] : [])],
      });
      if (answer.rows.length !== question.rows) throw new Error(`${table} answered ${answer.rows.length} rows`);
      if (turn >= warmUp) times[at]?.push(performance.now() - start);
    }
  }
  const [whole = Number.NaN, routed = Number.NaN, all = Number.NaN] = times.map(
    (some) => some.sort((a, b) => a - b)[some.length >> 1],
  );
  return {
    wholeMs: round(whole),
    routedMs: round(routed),
    notRoutedMs: round(all),
    routedRatio: round(routed / whole),
    notRoutedRatio: round(all / whole),
  };
}

const round = (value: number) => Math.round(value * 100) / 100;
