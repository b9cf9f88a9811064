import { gzipSync } from "node:zlib";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { bulkClient } from "../support/bulk-client.ts";
import { tokenFor } from "../support/client.ts";

let here: TestApp;
let client: ReturnType<typeof bulkClient>;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  client = bulkClient(here);
});
beforeEach(() => {
  here.clock.at += 60_000;
});
afterAll(() => here.close());

const ndjson = (...lines: (object | string)[]) =>
  `${lines.map((line) => (typeof line === "string" ? line : JSON.stringify(line))).join("\n")}\n`;
const organization = (id: string, name = id) => ({ resourceType: "Organization", id, name });
async function get(path: string) {
  const answer = await here.app.inject({ url: `/fhir/${path}`, headers: here.headers });
  return { status: answer.statusCode, body: answer.json() as Record<string, never> };
}

describe("an import", () => {
  test("stores each line as an update of its id, and a line that changes nothing makes no version", async () => {
    const first = await client.import(ndjson(organization("one"), organization("two")));
    expect(first.counts).toEqual({ stored: 2, unchanged: 0, refused: 0 });
    const again = await client.import(
      ndjson({ name: "one", id: "one", resourceType: "Organization" }, organization("two", "Two")),
    );
    expect(again.counts).toEqual({ stored: 1, unchanged: 1, refused: 0 });
    expect((await get("Organization/one")).body.meta).toMatchObject({ versionId: "1" });
    expect((await get("Organization/two")).body).toMatchObject({ name: "Two", meta: { versionId: "2" } });
  });

  test("takes gzip, a last line without its break, empty lines and carriage returns", async () => {
    const text = `${JSON.stringify(organization("packed"))}\r\n\r\n${JSON.stringify(organization("last"))}`;
    const { counts } = await client.import(gzipSync(text), { "content-encoding": "gzip" });
    expect(counts).toEqual({ stored: 2, unchanged: 0, refused: 0 });
  });

  test("one bad line of a batch refuses only itself; what was refused can be fetched and sent again", async () => {
    const bad = { resourceType: "Organization", id: "bad", active: "maybe" };
    const noJson = '{"resourceType":"Organization",';
    const nowhere = { ...organization("nowhere"), partOf: { reference: "Organization/never-was" } };
    const lines = [organization("l1"), bad, organization("l3"), noJson, nowhere, organization("l6")];
    const { counts, error, refused = [] } = await client.import(ndjson(...lines));
    expect(counts).toEqual({ stored: 3, unchanged: 0, refused: 3 });
    const outcomes = (await client.lines(error)) as unknown as {
      issue: { location: string[]; expression?: string[] }[];
    }[];
    expect(outcomes.map(({ issue }) => issue[0]?.location[0])).toEqual(["line 2", "line 4", "line 5"]);
    expect(outcomes[0]?.issue[0]?.expression).toEqual(["Organization.active"]);
    const file = await client.send("GET", refused[0]?.url ?? "");
    expect(file.body).toBe(ndjson(bad, noJson, nowhere));
    await client.import(ndjson(organization("never-was")));
    const resent = await client.import(file.body);
    expect(resent.counts).toEqual({ stored: 1, unchanged: 0, refused: 2 });
  });

  test("lines may point to what later lines bring, in files of any order and of any length", async () => {
    const chain = Array.from({ length: 250 }, (_, i) => ({
      ...organization(`chain-${i}`),
      ...(i === 249 ? {} : { partOf: { reference: `Organization/chain-${i + 1}` } }),
    }));
    const { counts } = await client.import(ndjson(...chain));
    expect(counts).toEqual({ stored: 250, unchanged: 0, refused: 0 });
  });

  test("of a resource that stands twice the last line counts, as its second version", async () => {
    await client.import(ndjson(organization("twice", "First"), organization("twice", "Second")));
    expect((await get("Organization/twice")).body).toMatchObject({ name: "Second", meta: { versionId: "2" } });
  });

  test("a line without an id is a create, under an id that is made of the import and the line", async () => {
    const { counts } = await client.import(ndjson({ resourceType: "Organization", name: "Nameless id" }));
    expect(counts?.stored).toBe(1);
    const { body } = await get("Organization?name=Nameless");
    expect((body as unknown as { entry: { resource: { id: string } }[] }).entry[0]?.resource.id).toMatch(
      /^import-[0-9a-f]{40}$/,
    );
  });

  test("what was exported comes in again elsewhere as it was, whatever the order of the files", async () => {
    const there = await testApp("2026-06-10T12:00:00Z");
    await personWithCircuit(there, "anna");
    await usedEveryDay(there, "anna");
    const from = bulkClient(there);
    const { output } = await from.export("/$export");
    const texts: string[] = [];
    for (const { url } of output) texts.push((await from.send("GET", url, { "accept-encoding": "identity" })).body);
    const { counts, error } = await client.import(texts.join(""));
    expect(await client.lines(error)).toEqual([]);
    expect(counts?.stored).toBe(output.reduce((sum, { count }) => sum + count, 0));
    const again = await client.import(texts.reverse().join(""));
    expect(again.counts).toEqual({ stored: 0, unchanged: counts?.stored, refused: 0 });
    await there.close();
  });
});

describe("who may, and what is too much", () => {
  test("a line of a type that the token may not write is refused, and told which scope it takes", async () => {
    const limited = bulkClient(here, await tokenFor(here, "integration", "system/Organization.cu system/Location.c"));
    const { counts, error } = await limited.import(
      ndjson(
        organization("mine"),
        { resourceType: "Location", id: "theirs" },
        { resourceType: "Location", name: "new" },
      ),
    );
    expect(counts).toEqual({ stored: 2, unchanged: 0, refused: 1 });
    expect(JSON.stringify(await limited.lines(error))).toContain("system/Location.cu");
  });

  test.each([
    ["a client that only reads", "dashboard", "application/fhir+ndjson", 403],
    ["JSON", "integration", "application/fhir+json", 415],
    ["nothing", "integration", "application/fhir+ndjson", 400],
  ])("%s is refused", async (_, role, type, status) => {
    const one = bulkClient(here, await tokenFor(here, role));
    const answer = await one.begin("/$import", { "content-type": type }, "");
    expect(answer.statusCode).toBe(status);
  });

  test("what says that it is gzip and is not is refused, and nothing of it is kept", async () => {
    const headers = { "content-type": "application/fhir+ndjson", "content-encoding": "gzip" };
    const answer = await client.begin("/$import", headers, "no gzip at all");
    expect([answer.statusCode, answer.json().resourceType]).toEqual([400, "OperationOutcome"]);
  });

  test("more lines, longer lines and more bytes than the bounds let in are refused with 413", async () => {
    const bulk = { ...here.service.limits.bulk, importLines: 2, lineBytes: 100, importBytes: 150 };
    const small = await testApp("2026-06-10T12:00:00Z", { limits: { bulk } });
    const headers = { "content-type": "application/fhir+ndjson" };
    const send = async (text: string) => (await bulkClient(small).begin("/$import", headers, text)).statusCode;
    expect(await send("{}\n{}\n{}\n")).toBe(413);
    expect(await send(`"${"x".repeat(100)}"\n`)).toBe(413);
    expect(await send(`"${"x".repeat(90)}"\n"${"x".repeat(90)}"\n`)).toBe(413);
    expect(await send("{}\n{}\n")).toBe(202);
    await small.close();
  });
});
