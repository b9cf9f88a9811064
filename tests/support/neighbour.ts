import type { FastifyBaseLogger } from "fastify";
import { patientResource } from "../../src/fhir/patient.ts";
import { readScopes } from "../../src/fhir/scopes.ts";
import { beginExport } from "../../src/flows/bulk-jobs.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { runBulk } from "../../src/flows/run-bulk.ts";
import { setThresholds } from "../../src/flows/thresholds.ts";
import { uploads } from "../../src/flows/uploads.ts";
import { readInTenant } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { personWithCircuit, tasksOf, upload, useRecord } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "./app.ts";
import { askForToken, assertionOf, type TestClient, testClient } from "./client.ts";
import { madeUpWorks, published } from "./made-up-figures.ts";
import { adt, messenger, pid } from "./messages.ts";
import { put, type TestService } from "./service.ts";
import { subscription, withSettings } from "./subscribing.ts";

/** Stands in the neighbour's records and in no request: an answer that holds it has told something. */
export const neverAsked = "planted-next-door";

/** A number of the neighbour's person, of an invented system. */
export const neighboursNumber = "urn:example:next-door|4711";

const [numberSystem = "", numberValue = ""] = neighboursNumber.split("|");

/** The neighbour's own codes. */
export const neighboursCodes = {
  valueSet: "https://next-door.example/kinds",
  codeSystem: "https://next-door.example/codes",
};

/** What the neighbour's people and things are called, which whoever guesses them may ask for. */
export interface Neighbour {
  readonly taskId: string;
  readonly observationId: string;
  readonly uploadId: string;
  /** Of an HL7 v2 message about one of them. */
  readonly messageId: string;
  /** Of an export that has ended. */
  readonly exportId: string;
  /** What was uploaded, byte for byte. */
  readonly uploaded: string;
  readonly client: TestClient;
  /** A token of that client. */
  readonly token: string;
  /** Addresses of second pages, as the neighbour was given them. */
  readonly nextPages: readonly string[];
}

/** An app of two tenants on one database: `here` is one, the neighbour is the other. */
export interface Neighbourhood {
  readonly here: TestApp;
  /** Our own client, which may see our clients. */
  readonly client: TestClient;
  readonly clientToken: string;
  /** Tokens of our own clients that are bound to a person, and to an organisation, whom only the neighbour has. */
  readonly boundTokens: readonly string[];
  /** Of a client that may break the glass. */
  readonly glassToken: string;
  /** Absent where the other tenant is empty. */
  readonly neighbour?: Neighbour;
  /** The other tenant as its own service sees it. */
  readonly nextDoor: TestService;
}

/** Opens both tenants with a person of ours, and the neighbour's where there is to be one. */
export async function neighbourhood(hasNeighbour: boolean, log?: FastifyBaseLogger): Promise<Neighbourhood> {
  const here = await testApp("2026-06-10T12:00:00Z", log === undefined ? {} : { log });
  let ids = 0;
  const newId = () => {
    ids += 1;
    return `next-door-${ids}`;
  };
  const { tenantId } = await ensureTenant(here.database, "stranger");
  const nextDoor = { ...here, tenantId, service: { ...here.service, newId } };
  await personWithCircuit(here, "anna");
  await upload(here, useRecord(here, "anna", ["08:00"]));
  await reviewPatient(here.service, here.tenantId, "anna");
  const client = await testClient(here, "administrator");
  const clientToken = await tokenOf(here, client);
  const boundTokens: string[] = [];
  for (const bound of [{ patientId: "bert" }, { organizationId: "next-door" }]) {
    boundTokens.push(await tokenOf(here, await testClient(here, "dashboard", bound)));
  }
  const glassToken = await tokenOf(here, await testClient(here, "integration", { scope: glassScopes }), glassScopes);
  const neighbour = hasNeighbour ? await moveIn(here, nextDoor) : undefined;
  await here.trail.flush();
  // From here on the ids that we are given are the same with a neighbour and without.
  while (here.service.newId() !== "new-1000");
  return {
    here,
    client,
    clientToken,
    boundTokens,
    glassToken,
    nextDoor,
    ...(neighbour === undefined ? {} : { neighbour }),
  };
}

const glassScopes = "system/*.rs tidegate/dashboard.r tidegate/use-records.r tidegate/break-glass.c";

async function tokenOf(here: TestApp, client: TestClient, scope?: string): Promise<string> {
  const answer = await askForToken(here, await assertionOf(here, client), scope);
  const { access_token: token } = answer.json() as { access_token?: string };
  if (token === undefined) throw new Error(answer.body);
  return token;
}

/** Two people with all that a person can have here, one of them with sessions, findings and Tasks. */
async function moveIn(here: TestApp, nextDoor: TestService): Promise<Neighbour> {
  await put(nextDoor, { resourceType: "Organization", id: "next-door", name: neverAsked } as never);
  const telling = { ...nextDoor, service: withSettings(nextDoor.service) };
  await put(telling, subscription("told-next-door", "http://127.0.0.1:9/told"));
  for (const id of ["bert", "bea"]) {
    await personWithCircuit(nextDoor, id, "2026-03-01");
    await put(nextDoor, {
      ...patientResource({
        id,
        family: "Nextdoor",
        given: "Bert",
        birthDate: "1971-03-04",
        organizationId: "next-door",
      }),
      identifier: [{ system: numberSystem, value: id === "bert" ? numberValue : "4712" }],
      address: [{ text: neverAsked }],
      meta: { tag: [{ system: "urn:example:tags", code: neverAsked }] },
    } as never);
  }
  await put(
    nextDoor,
    {
      resourceType: "CodeSystem",
      id: "codes",
      url: neighboursCodes.codeSystem,
      status: "active",
      content: "complete",
      concept: [{ code: "one", display: neverAsked }],
    } as never,
    {
      resourceType: "ValueSet",
      id: "kinds",
      url: neighboursCodes.valueSet,
      status: "active",
      compose: { include: [{ system: neighboursCodes.codeSystem }] },
    } as never,
    { resourceType: "Measure", id: "theirs", url: "https://next-door.example/measure", status: "active" } as never,
  );
  const uploaded = useRecord(nextDoor, "bert", ["08:00"]);
  await upload(nextDoor, uploaded);
  await upload(nextDoor, useRecord(nextDoor, "bea", ["08:00"]));
  const { service, tenantId } = nextDoor;
  for (const [planId, value] of [
    [undefined, 0.6],
    ["plan-bert", 0.7],
  ] as const) {
    const wanted = { settings: { lowUseBelowShare: { value, source: neverAsked } }, note: neverAsked };
    const set = await setThresholds(service, tenantId, planId, wanted);
    if (!set.ok) throw new Error(JSON.stringify(set.refusals));
  }
  for (const id of ["bert", "bea"]) await reviewPatient(service, tenantId, id);
  const [task] = await tasksOf(nextDoor, "bert");
  const [kept] = await uploads(service, tenantId, { count: 200 }).then((all) =>
    all.filter((one) => one.deviceId === "m-bert"),
  );
  const observations = await readInTenant(here.database, tenantId, (session) =>
    session.query<{ id: string }>(
      "select id from resource where tenant_id = $1 and type = 'Observation' and patient_id = 'bert' order by id limit 1",
      [tenantId],
    ),
  );
  const [observation] = observations;
  if (task === undefined || kept === undefined || observation === undefined)
    throw new Error("the neighbour has nothing");
  await publishFigures(nextDoor);
  const messageId = await tellByMessage(nextDoor);
  const client = await testClient(here, "administrator", { tenantId });
  const token = await tokenOf(here, client);
  return {
    taskId: task.id,
    observationId: observation.id,
    uploadId: kept.uploadId,
    messageId,
    exportId: await exportAll(nextDoor),
    uploaded: JSON.stringify(uploaded),
    client,
    token,
    nextPages: await nextPagesOf(here),
  };
}

/** An export by a client that is called like one of ours. */
async function exportAll({ service, tenantId }: TestService): Promise<string> {
  const asked = { level: "system", types: ["Patient"], filters: [], ignored: [] } as const;
  const grant = { tenantId, clientId: "configured", scopes: readScopes("system/*.rs").scopes };
  const begun = await beginExport(service, tenantId, asked, { grant, requestUrl: neverAsked });
  if (typeof begun !== "string") throw new Error(begun.tooMany);
  await runBulk(service, tenantId, begun);
  return begun;
}

/** A message of the neighbour's hospital, which names the neighbour. */
async function tellByMessage(nextDoor: TestService): Promise<string> {
  const person = pid({ 3: "4720^^^NEXTDOOR", 5: `${neverAsked}^Bill`, 7: "19500101" });
  return (await messenger(nextDoor).send(adt("A28", "next-door-1", "20260610100000", person))).messageId;
}

/** One release, whose text names the neighbour. */
async function publishFigures(nextDoor: TestService): Promise<void> {
  const works = await madeUpWorks(() => ({ north: 40, south: 22, west: 3 }));
  const texts = works.texts.map((text) => ({ ...text, title: `${text.title} ${neverAsked}` }));
  await published(nextDoor, { ...works, texts }, "2026-05");
}

/** First pages that have a second one. */
const firstPages = [
  "/fhir/Patient?_count=1",
  "/fhir/Observation?_count=1&_sort=-date",
  "/fhir/?_type=Patient,Observation&_count=1",
  "/fhir/Patient/bert/Observation?_count=1",
  "/fhir/_history?_count=1",
  "/fhir/Patient/_history?_count=1",
  "/fhir/Patient/bert/_history?_count=1",
  "/fhir/Patient/bert/$everything?_count=1",
  "/fhir/AuditEvent?_count=1",
  "/api/v1/caseload?count=1",
  "/api/v1/uploads?count=1",
  "/api/v1/parts/forecast?days=90&count=1",
];

async function nextPagesOf({ app, strangersToken, trail }: TestApp): Promise<string[]> {
  const pages: string[] = [];
  for (const url of firstPages) {
    const answer = await app.inject({ method: "GET", url, headers: { authorization: `Bearer ${strangersToken}` } });
    const { link, next } = answer.json() as { link?: { relation: string; url: string }[]; next?: string };
    const page =
      next === undefined
        ? link?.find((one) => one.relation === "next")?.url.replace(/^https:\/\/gate\.test/, "")
        : `${url}&cursor=${encodeURIComponent(next)}`;
    if (page === undefined) throw new Error(`${url} has no second page: ${answer.body.slice(0, 300)}`);
    pages.push(page);
    // The trail has a second page once it holds what was asked before.
    await trail.flush();
  }
  return pages;
}
