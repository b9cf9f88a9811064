import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import type { Encounter, Observation, Patient } from "@medplum/fhirtypes";
import { Client } from "pg";
import { afterAll, beforeAll, expect, test } from "vitest";
import { registerClient } from "../../src/flows/client.ts";
import { eui64System } from "../../src/flows/receive-observations.ts";
import { keyPair } from "../support/client.ts";
import { type CommitProxy, commitProxy } from "../support/commit-proxy.ts";
import { adt, answered, message, messenger, mrn, msh, pid } from "../support/messages.ts";
import { rawSender } from "../support/mllp.ts";
import { freePort, type RunningProcess, startProcess } from "../support/processes.ts";
import { put, type TestService, testService } from "../support/service.ts";

const token = "token-of-the-message-crash";
let made: TestService;
let proxy: CommitProxy;
let folder: string;
let mllpPort: number;
let running: RunningProcess | undefined;

beforeAll(async () => {
  made = await testService(new Date().toISOString());
  proxy = await commitProxy(made.connectionString);
  folder = await mkdtemp(join(tmpdir(), "tidegate-message-crash-"));
  mllpPort = await freePort();
  const { jwk } = await keyPair();
  const wanted = { name: "Interface of the crash", role: "integration", jwks: { keys: [jwk] } };
  const client = await registerClient(made.service, made.tenantId, wanted);
  if (!client.ok) throw new Error(JSON.stringify(client.refusals));
  const file = {
    senders: [{ facility: "NORTHMOOR", application: "*", client: client.value.clientId }],
    authorities: [{ namespace: "NORTHMOOR", system: "urn:example:northmoor", trust: "certain" }],
  };
  await writeFile(join(folder, "hl7v2.json"), JSON.stringify(file));
});
afterAll(async () => {
  await running?.stop("SIGKILL");
  proxy.close();
  await made.close();
  await rm(folder, { recursive: true, force: true });
});

async function start(name: string): Promise<RunningProcess> {
  running = await startProcess({
    connectionString: proxy.connectionString,
    dataFolder: folder,
    token,
    role: "all",
    name,
    port: await freePort(),
    more: { MLLP_PORT: String(mllpPort), HL7V2_FILE: join(folder, "hl7v2.json") },
  });
  return running;
}

const each = 24;
const at = (n: number) =>
  `20260601${String(10 + Math.floor(n / 60)).padStart(2, "0")}${String(n % 60).padStart(2, "0")}00+0000`;
const person = (lane: number, n: number) =>
  pid({ 3: mrn(`9${lane}`), 5: `Harker^Ada${lane}`, 7: "19710304", 11: `${n} Mill Lane` });
const stay = (lane: number, n: number) => `PV1|1|I|||||||||||||||||V${lane}-${n}^^^NORTHMOOR^VN`;
const eui = "0012FF00A1B2C3D4";
const measured = (n: number) =>
  message(
    msh("ORU^R01^ORU_R01", `C-2-${n}`, at(n), { 12: "2.6" }),
    `OBR|1|||x|||${at(n)}`,
    `OBX|1|NM|150456^MDC_PULS_OXIM_SAT_O2^MDC|1.1.1.150456|97||||||F|||${at(n)}||||${eui}^^${eui}^EUI-64`,
  );
/** Changes and stays of one person each, and a device's measurements; each in its order. */
const lanes = [0, 1, 2].map((lane) =>
  Array.from({ length: each }, (_, n) => {
    if (lane === 2) return measured(n);
    const [event, ...visit] = n % 6 === 5 ? ["A01", stay(lane, n)] : ["A31"];
    return adt(event ?? "", `C-${lane}-${n}`, at(n), person(lane, n), ...visit);
  }),
);
/** How many of each lane have been acknowledged. */
const acknowledged = [0, 0, 0];
const total = () => acknowledged.reduce((sum, one) => sum + one, 0);

/** Sends on from the first that was not acknowledged, one after the other, until all are or the connection ends. */
async function send(lane: number): Promise<void> {
  const sender = await rawSender(mllpPort);
  for (let n = acknowledged[lane] ?? 0; n < each; n += 1) {
    sender.send(lanes[lane]?.[n] ?? "");
    const answer = await sender.next();
    if (answer === undefined) break;
    expect(answered(answer)).toMatchObject({ code: "AA", errors: [] });
    acknowledged[lane] = n + 1;
  }
  sender.socket.destroy();
}

const keptAndTaken = async () =>
  (await owned(`select m.control_id from received_message m join received_upload u on u.upload_id = m.message_id
    where u.status = 'accepted'`)) as { control_id: string }[];

async function owned(sql: string): Promise<unknown[]> {
  const owner = new Client({ connectionString: made.connectionString });
  await owner.connect();
  const { rows } = await owner.query(sql);
  await owner.end();
  return rows;
}

test("killing the process amid messages, also between a commit and its acknowledgement, loses none and doubles none", async () => {
  const ids = { system: eui64System, value: eui };
  await put(
    made,
    { resourceType: "Patient", id: "measured" } as never,
    {
      resourceType: "Device",
      id: "meter",
      identifier: [ids],
    } as never,
    {
      resourceType: "DeviceUseStatement",
      id: "use",
      status: "active",
      subject: { reference: "Patient/measured" },
      device: { reference: "Device/meter" },
      timingPeriod: { start: "2026-05-01" },
    } as never,
  );
  // Each message that is taken in says so within its transaction.
  await owned(`create function say_taken() returns trigger language plpgsql as
    $$ begin raise notice 'planted: taken'; return new; end $$;
    create trigger say_taken before update on received_upload for each row
    when (new.status = 'accepted' and old.status <> 'accepted') execute function say_taken()`);

  const first = await start("crash-1");
  let sending = Promise.all([0, 1, 2].map(send));
  while (total() < 15) await sleep(2);
  await sleep(Math.random() * 40);
  await first.stop("SIGKILL");
  await sending;
  const afterFirst = total();
  expect(afterFirst).toBeLessThan(3 * each);

  const second = await start("crash-2");
  sending = Promise.all([0, 1, 2].map(send));
  while (total() < afterFirst + 9) await sleep(2);
  await proxy.withholdCommitAfter("planted: taken");
  await second.stop("SIGKILL");
  await sending;
  // Something stands that its sender knows nothing of; what was acknowledged stands all the same.
  const taken = new Set((await keptAndTaken()).map((one) => one.control_id));
  const told = acknowledged.flatMap((count, lane) => Array.from({ length: count }, (_, n) => `C-${lane}-${n}`));
  expect(told.filter((id) => !taken.has(id))).toEqual([]);
  expect(taken.size).toBeGreaterThan(told.length);

  const third = await start("crash-3");
  await Promise.all([0, 1, 2].map(send));
  expect(acknowledged).toEqual([each, each, each]);
  const { all } = messenger(made);
  const found = async () => ({
    // A version for each message and no more: none was lost, none came twice, and the last one stands.
    people: (await all<Patient>("Patient"))
      .flatMap(({ meta, name, address }) =>
        name === undefined ? [] : [`${name[0]?.given?.[0]} ${meta?.versionId} ${address?.[0]?.line?.[0]}`],
      )
      .sort(),
    stays: (await all<Encounter>("Encounter"))
      .map(({ meta, identifier }) => `${identifier?.[0]?.value} ${meta?.versionId}`)
      .sort(),
    measurements: (await all<Observation>("Observation")).map(({ meta }) => meta?.versionId),
  });
  const before = await found();
  expect(before.people).toEqual([0, 1].map((lane) => `Ada${lane} ${each} ${each - 1} Mill Lane`));
  expect(before.stays).toEqual([0, 1].flatMap((lane) => [11, 17, 23, 5].map((n) => `V${lane}-${n} 1`)));
  expect(before.measurements).toEqual(Array.from({ length: each }, () => "1"));
  // All of it once more.
  acknowledged.fill(0);
  await Promise.all([0, 1, 2].map(send));
  expect(acknowledged).toEqual([each, each, each]);
  expect(await found()).toEqual(before);
  expect(await third.stop()).toBe(0);
}, 60_000);
