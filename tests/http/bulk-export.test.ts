import { gunzipSync } from "node:zlib";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { bulkClient, type Line } from "../support/bulk-client.ts";
import { put } from "../support/service.ts";

// Bulk Data Access 2.0.0: https://hl7.org/fhir/uv/bulkdata/STU2/export.html. Anna and Bert have machines, plans and sessions.
let here: TestApp;
let client: ReturnType<typeof bulkClient>;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  for (const id of ["anna", "bert"]) {
    await personWithCircuit(here, id);
    await usedEveryDay(here, id);
  }
  await put(
    here,
    { resourceType: "Organization", id: "trust", name: "Trust" } as never,
    {
      resourceType: "Group",
      id: "annas",
      type: "person",
      actual: true,
      member: [{ entity: { reference: "Patient/anna" } }, { entity: { reference: "Patient/bert" }, inactive: true }],
    } as never,
  );
  client = bulkClient(here);
});

beforeEach(() => {
  here.clock.at += 60_000;
});

afterAll(() => here.close());

async function stored(type: string): Promise<string[]> {
  const bodies = await here.app.inject({ url: `/fhir/${type}?_count=500`, headers: here.headers });
  return (bodies.json() as { entry: { resource: { id: string } }[] }).entry.map(({ resource }) => resource.id).sort();
}
const idsOf = (lines: readonly Line[], type: string) =>
  lines
    .filter(({ resourceType }) => resourceType === type)
    .map(({ id }) => id)
    .sort();
const subjects = (lines: readonly Line[]) => [
  ...new Set(lines.map((line) => (line as { subject?: { reference: string } }).subject?.reference)),
];

describe("an export of everything", () => {
  test("has every resource once, as a read has it, in files of one type each", async () => {
    const manifest = await client.export("/$export");
    expect(manifest).toMatchObject({ request: "https://gate.test/fhir/$export", requiresAccessToken: true });
    expect([manifest.deleted, manifest.error]).toEqual([[], []]);
    for (const file of manifest.output) {
      const lines = await client.lines([file]);
      expect(new Set(lines.map(({ resourceType }) => resourceType))).toEqual(new Set([file.type]));
    }
    const lines = await client.lines(manifest.output);
    for (const type of ["Patient", "Observation", "Organization", "DeviceRequest"])
      expect(idsOf(lines, type)).toEqual(await stored(type));
    const anna = await here.app.inject({ url: "/fhir/Patient/anna", headers: here.headers });
    expect(lines.find(({ id }) => id === "anna")).toEqual(anna.json());
  });

  test("is told by 202 and Content-Location, then by X-Progress and Retry-After, then by a manifest that expires", async () => {
    const begun = await client.begin("/$export?_type=Patient");
    expect(begun.statusCode).toBe(202);
    const address = client.jobOf(begun);
    expect(address).toMatch(/^https:\/\/gate\.test\/fhir\/\$export\/[\w-]+$/);
    const waiting = await client.send("GET", address);
    expect([waiting.statusCode, waiting.headers["x-progress"], waiting.headers["retry-after"]]).toEqual([
      202,
      "waiting",
      "1",
    ]);
    const soon = await client.send("GET", address);
    expect([soon.statusCode, soon.headers["retry-after"]]).toEqual([429, "1"]);
    const { transactionTime } = await client.finish(address);
    expect(Date.parse(transactionTime)).toBeLessThanOrEqual(here.clock.at);
    const done = await client.send("GET", address);
    expect(Date.parse(String(done.headers.expires))).toBe(here.clock.at + 24 * 3_600_000);
    expect(done.headers["content-type"]).toContain("application/json");
  });

  test("without Prefer: respond-async is refused", async () => {
    const answer = await client.begin("/$export", { prefer: "" });
    expect([answer.statusCode, answer.json().issue[0].code]).toEqual([400, "required"]);
  });
});

describe("what is asked for", () => {
  test("_type and _typeFilter narrow it, several filters of a type by OR", async () => {
    const [first, second] = await stored("Observation");
    const filter = `_typeFilter=Observation%3F_id%3D${first},Observation%3F_id%3D${second}`;
    const lines = await client.lines((await client.export(`/$export?_type=Observation,Patient&${filter}`)).output);
    expect(idsOf(lines, "Observation")).toEqual([first, second]);
    expect(idsOf(lines, "Patient")).toEqual(["anna", "bert"]);
  });

  test("a value with commas stays one value of a filter", async () => {
    const lines = await client.lines(
      (await client.export("/$export?_type=Patient&_typeFilter=Patient%3F_id%3Danna,bert")).output,
    );
    expect(idsOf(lines, "Patient")).toEqual(["anna", "bert"]);
  });

  test("_elements cuts resources down and tags them SUBSETTED", async () => {
    const { output } = await client.export("/$export?_type=Patient&_elements=Patient.gender,id");
    const [line] = await client.lines(output);
    expect(JSON.stringify(line?.meta)).toContain("SUBSETTED");
    expect(line).not.toHaveProperty("name");
  });

  test("everybody's records are those of the patients, and nothing of nobody", async () => {
    const lines = await client.lines((await client.export("/Patient/$export")).output);
    expect(idsOf(lines, "Patient")).toEqual(["anna", "bert"]);
    expect(idsOf(lines, "Observation")).toEqual(await stored("Observation"));
    expect(idsOf(lines, "Organization")).toEqual([]);
    expect(idsOf(lines, "Group")).toEqual(["annas"]);
  });

  test("a Group's are those of its active members", async () => {
    const lines = await client.lines((await client.export("/Group/annas/$export")).output);
    expect(idsOf(lines, "Patient")).toEqual(["anna"]);
    expect(subjects(lines.filter(({ resourceType }) => resourceType === "Observation"))).toEqual(["Patient/anna"]);
    expect((await client.begin("/Group/nobodys/$export")).statusCode).toBe(404);
  });

  // The guide: without includeAssociatedData "the server SHALL include all available Provenance resources whose
  // Provenance.target is a resource in the Patient compartment".
  test("Provenances come with what they tell of, and with nobody else's", async () => {
    const about = (id: string, reference: string) => ({
      resourceType: "Provenance",
      id,
      target: [{ reference }],
      recorded: "2026-06-10T12:00:00Z",
      agent: [{ who: { display: "Somebody" } }],
    });
    const observationOf = async (person: string) => {
      const answer = await here.app.inject({
        url: `/fhir/Observation?patient=${person}&_count=1`,
        headers: here.headers,
      });
      return `Observation/${(answer.json() as { entry: { resource: { id: string } }[] }).entry[0]?.resource.id}`;
    };
    await put(
      here,
      about("of-anna", await observationOf("anna")) as never,
      about("of-bert", await observationOf("bert")) as never,
      about("of-herself", "Patient/anna") as never,
      about("of-nobody", "Organization/trust") as never,
    );
    const made = ["of-anna", "of-bert", "of-herself", "of-nobody"];
    const exported = async (path: string) =>
      idsOf(await client.lines((await client.export(`${path}?_type=Provenance`)).output), "Provenance").filter((id) =>
        made.includes(id),
      );
    expect(await exported("/Patient/$export")).toEqual(["of-anna", "of-bert", "of-herself"]);
    expect(await exported("/Group/annas/$export")).toEqual(["of-anna", "of-herself"]);
    expect(await exported("/$export")).toEqual(made);
    const removed = await here.app.inject({ method: "DELETE", url: "/fhir/Provenance/of-bert", headers: here.headers });
    expect(removed.statusCode).toBeLessThan(300);
    expect(await exported("/Patient/$export")).toEqual(["of-anna", "of-herself"]);
  });

  // The guide: people "who are not members of the group" are told of in an error.
  test("patient of a Group names active members alone", async () => {
    const body = (id: string) => ({
      resourceType: "Parameters",
      parameter: [{ name: "patient", valueReference: { reference: `Patient/${id}` } }],
    });
    const refused = await client.begin("/Group/annas/$export", {}, body("bert"));
    expect([refused.statusCode, refused.json().issue[0].expression]).toEqual([404, ["patient"]]);
    expect(refused.json().issue[0].details.text).toBe("Patient/bert is no active member of Group/annas.");
    const lenient = { prefer: "respond-async, handling=lenient" };
    const { output, error } = await client.export("/Group/annas/$export", lenient, body("bert"));
    expect([output, error.map(({ count }) => count)]).toEqual([[], [1]]);
    const lines = await client.lines((await client.export("/Group/annas/$export", {}, body("anna"))).output);
    expect(idsOf(lines, "Patient")).toEqual(["anna"]);
  });

  test("patient names people in posted Parameters", async () => {
    const body = {
      resourceType: "Parameters",
      parameter: [
        { name: "patient", valueReference: { reference: "Patient/bert" } },
        { name: "_type", valueString: "Patient,Observation" },
      ],
    };
    const lines = await client.lines((await client.export("/Patient/$export", {}, body)).output);
    expect(idsOf(lines, "Patient")).toEqual(["bert"]);
    expect(subjects(lines.filter(({ resourceType }) => resourceType === "Observation"))).toEqual(["Patient/bert"]);
  });

  test.each([
    ["_type=Spaceship", 400],
    ["_since=2026-13-01T00:00:00Z", 400],
    ["_outputFormat=text/csv", 400],
    ["_typeFilter=Patient%3Fspin%3Dleft", 400],
    ["_typeFilter=Patient%3F_count%3D5", 400],
    ["includeAssociatedData=LatestProvenanceResources", 400],
    ["patient=Patient/anna", 400],
  ])("%s is refused, with where it stands", async (query, status) => {
    const answer = await client.begin(`/$export?${query}`);
    expect([answer.statusCode, answer.json().resourceType]).toEqual([status, "OperationOutcome"]);
  });

  test("under lenient handling what cannot be done is left out, and told in a file of errors", async () => {
    const prefer = "respond-async, handling=lenient";
    const query = "_type=Patient,Spaceship&includeAssociatedData=x&_typeFilter=Patient%3Fspin%3Dleft";
    const { output, error } = await client.export(`/$export?${query}`, { prefer });
    expect(output.map(({ type }) => type)).toEqual(["Patient"]);
    expect(error.map(({ type, count }) => [type, count])).toEqual([["OperationOutcome", 3]]);
    expect(JSON.stringify(await client.lines(error))).toMatch(/Spaceship.*|includeAssociatedData/);
  });
});

describe("what changed since the export before", () => {
  test("comes alone, with what was deleted as a Bundle of deletions", async () => {
    await put(here, { resourceType: "Organization", id: "closing", name: "Closing" } as never);
    here.clock.at += 1_000;
    const before = await client.export("/$export?_type=Organization");
    here.clock.at += 1_000;
    await put(here, { resourceType: "Organization", id: "opened", name: "Opened" } as never);
    await here.app.inject({ method: "DELETE", url: "/fhir/Organization/closing", headers: here.headers });
    here.clock.at += 1_000;
    const since = await client.export(`/$export?_type=Organization&_since=${before.transactionTime}`);
    expect(idsOf(await client.lines(since.output), "Organization")).toEqual(["opened"]);
    expect(since.deleted.map(({ type }) => type)).toEqual(["Bundle"]);
    expect(await client.lines(since.deleted)).toEqual([
      {
        resourceType: "Bundle",
        type: "transaction",
        entry: [{ request: { method: "DELETE", url: "Organization/closing" } }],
      },
    ]);
  });
});

// RFC 9110: 14 (ranges), 12.5.3 (Accept-Encoding), 13.1.2 (If-None-Match); RFC 1952 (gzip).
describe("a file", () => {
  const one = async () => (await client.export("/$export?_type=Observation")).output[0]?.url ?? "";

  test("comes plain, packed, in ranges and as a head, and all are of the same bytes", async () => {
    const url = await one();
    const whole = await client.send("GET", url, { "accept-encoding": "identity" });
    expect(whole.headers["content-type"]).toBe("application/fhir+ndjson");
    const packed = await client.send("GET", url, { "accept-encoding": "gzip" });
    expect([packed.headers["content-encoding"], packed.headers["content-length"]]).toEqual([
      "gzip",
      String(packed.rawPayload.length),
    ]);
    expect(gunzipSync(packed.rawPayload).equals(whole.rawPayload)).toBe(true);
    const head = await client.send("HEAD", url);
    expect([head.statusCode, head.headers["content-length"], head.body]).toEqual([
      200,
      String(whole.rawPayload.length),
      "",
    ]);
    const parts: Buffer[] = [];
    for (const range of ["bytes=0-99", "bytes=100-4999", "bytes=5000-"]) {
      const part = await client.send("GET", url, { range, "accept-encoding": "gzip" });
      expect(part.statusCode).toBe(206);
      parts.push(part.rawPayload);
    }
    expect(Buffer.concat(parts).equals(whole.rawPayload)).toBe(true);
    const end = await client.send("GET", url, { range: "bytes=-50" });
    expect(end.rawPayload.equals(whole.rawPayload.subarray(-50))).toBe(true);
    const beyond = await client.send("GET", url, { range: `bytes=${whole.rawPayload.length}-` });
    expect([beyond.statusCode, beyond.headers["content-range"]]).toEqual([416, `bytes */${whole.rawPayload.length}`]);
    const known = await client.send("GET", url, { "if-none-match": String(whole.headers.etag) });
    expect([known.statusCode, known.body]).toEqual([304, ""]);
    const changed = await client.send("GET", url, { range: "bytes=0-9", "if-range": '"another"' });
    expect(changed.statusCode).toBe(200);
  });
});
