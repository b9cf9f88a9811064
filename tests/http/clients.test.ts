import type { Bundle, Patient, Resource } from "@medplum/fhirtypes";
import { Client, type FhirResource } from "fhir-kit-client";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { idsOf, observation, patient } from "../support/client-examples.ts";
import { type ListeningApp, listeningApp } from "../support/listening-app.ts";

// A FHIR client that others wrote, over HTTP: what it asks, and how it reads the answers, is none of our doing.
let here: ListeningApp;

beforeAll(async () => {
  here = await listeningApp("2026-04-10T09:00:00Z");
});

afterAll(() => here.close());

const status = (of: unknown) => Client.httpFor(of as FhirResource).response?.status;
const header = (of: unknown, name: string) => Client.httpFor(of as FhirResource).response?.headers.get(name);
const sent = (resource: Resource) => resource as unknown as FhirResource;
const received = <T extends Resource>(answer: unknown) => answer as T;

/** What a client throws for an answer that is no success. */
async function refusal(call: Promise<unknown>): Promise<{ response?: { status: number; data: unknown } }> {
  return call.then(
    () => ({}),
    (error: unknown) => error as { response: { status: number; data: unknown } },
  );
}

describe("fhir-kit-client", () => {
  let client: Client;

  beforeAll(() => {
    client = new Client({ baseUrl: `${here.origin}/fhir`, bearerToken: here.token });
  });

  const created = async (resource: Resource) =>
    received<Resource & { id: string }>(
      await client.create({ resourceType: resource.resourceType, body: sent(resource) }),
    );

  test("reads the capability statement of R4", async () => {
    // https://hl7.org/fhir/R4/http.html#capabilities
    const statement = await client.capabilityStatement();
    expect(statement).toMatchObject({
      resourceType: "CapabilityStatement",
      fhirVersion: "4.0.1",
      implementation: { url: `${here.origin}/fhir` },
    });
  });

  test("is told by 401 that its token is unknown", async () => {
    const stranger = new Client({ baseUrl: `${here.origin}/fhir`, bearerToken: "nobody's" });
    const refused = await refusal(stranger.read({ resourceType: "Patient", id: "any" }));
    expect(refused.response).toMatchObject({ status: 401, data: { resourceType: "OperationOutcome" } });
  });

  test("creates with 201 and a Location that it can follow", async () => {
    // https://hl7.org/fhir/R4/http.html#create
    const answer = await client.create({ resourceType: "Patient", body: sent(patient("Created")) });
    expect(status(answer)).toBe(201);
    const followed = await client.request(header(answer, "location") ?? "");
    expect(followed).toEqual(answer);
  });

  test("reads, updates, and reads the version before", async () => {
    // https://hl7.org/fhir/R4/http.html#vread
    const { id } = await created(patient("Before"));
    const body = sent({ ...patient("After"), id });
    const updated = await client.update({ resourceType: "Patient", id, body });
    const [now, first] = await Promise.all([
      client.read({ resourceType: "Patient", id }),
      client.vread({ resourceType: "Patient", id, version: "1" }),
    ]);
    expect([status(updated), header(now, "etag")]).toEqual([200, 'W/"2"']);
    expect(now).toMatchObject({ meta: { versionId: "2" }, name: [{ family: "After" }] });
    expect(first).toMatchObject({ meta: { versionId: "1" }, name: [{ family: "Before" }] });
  });

  test("updates by a search instead of an id", async () => {
    // https://hl7.org/fhir/R4/http.html#cond-update
    const { id } = await created({ ...patient("Conditional"), identifier: [{ system: "urn:x:clinic", value: "7" }] });
    const body = sent({ ...patient("Found"), identifier: [{ system: "urn:x:clinic", value: "7" }] });
    const answer = await client.update({
      resourceType: "Patient",
      searchParams: { identifier: "urn:x:clinic|7" },
      body,
    });
    expect(answer).toMatchObject({ id, meta: { versionId: "2" }, name: [{ family: "Found" }] });
  });

  test("patches by JSON Patch", async () => {
    // https://hl7.org/fhir/R4/http.html#patch
    const { id } = await created(patient("Unpatched"));
    const answer = await client.patch({
      resourceType: "Patient",
      id,
      jsonPatch: [
        { op: "test", path: "/name/0/family", value: "Unpatched" },
        { op: "replace", path: "/name/0/family", value: "Patched" },
        { op: "add", path: "/gender", value: "unknown" },
      ],
    });
    expect(answer).toMatchObject({ id, name: [{ family: "Patched" }], gender: "unknown" });
  });

  test("pages through seven results by next links", async () => {
    // https://hl7.org/fhir/R4/http.html#paging
    const made: string[] = [];
    for (let i = 0; i < 7; i += 1) made.push((await created(patient(`Paged${i}`))).id);
    const first = await client.search({ resourceType: "Patient", searchParams: { family: "Paged", _count: "2" } });
    const pages: Bundle[] = [];
    let next: FhirResource | undefined = first;
    while (next !== undefined && pages.length < 10) {
      pages.push(received<Bundle>(next));
      next = await client.nextPage({ bundle: next as FhirResource & { link: { relation: string; url: string }[] } });
    }
    expect(pages.map((page) => page.entry?.length)).toEqual([2, 2, 2, 1]);
    expect(new Set(pages.flatMap(idsOf))).toEqual(new Set(made));
    expect(pages[0]?.link?.every(({ url }) => url?.startsWith(`${here.origin}/fhir/`))).toBe(true);
  });

  test("searches by POST as by GET", async () => {
    // https://hl7.org/fhir/R4/search.html#Introduction
    const { id } = await created(patient("Posted"));
    const searchParams = { family: "Posted" };
    const options = { postSearch: true };
    const [posted, gotten] = await Promise.all([
      client.search({ resourceType: "Patient", searchParams, options }),
      client.search({ resourceType: "Patient", searchParams }),
    ]);
    expect(Client.httpFor(posted).request?.method).toBe("POST");
    expect([idsOf(received<Bundle>(posted)), idsOf(received<Bundle>(gotten))]).toEqual([[id], [id]]);
  });

  test("searches in the compartment of one patient only", async () => {
    // https://hl7.org/fhir/R4/compartmentdefinition.html
    const [one, other] = [await created(patient("One")), await created(patient("Other"))];
    const [theirs] = [await created(observation(one.id, "A")), await created(observation(other.id, "B"))];
    const compartment = { resourceType: "Patient", id: one.id };
    const found = await client.search({ resourceType: "Observation", compartment, searchParams: { status: "final" } });
    expect(idsOf(received<Bundle>(found))).toEqual([theirs.id]);
  });

  test("stores a transaction whose entries point to each other", async () => {
    // https://hl7.org/fhir/R4/http.html#transaction
    const fullUrl = "urn:uuid:7e6cf2a5-6a4c-4b2e-9a57-5a25b0e2fd04";
    const about = { ...observation("x", "In one go"), subject: { reference: fullUrl } };
    const body = sent({
      resourceType: "Bundle",
      type: "transaction",
      entry: [
        { resource: about, request: { method: "POST", url: "Observation" } },
        { fullUrl, resource: patient("Together"), request: { method: "POST", url: "Patient" } },
      ],
    });
    const answer = received<Bundle>(await client.transaction({ body }));
    expect([answer.type, answer.entry?.map((one) => one.response?.status.slice(0, 3))]).toEqual([
      "transaction-response",
      ["201", "201"],
    ]);
    const locations = (answer.entry ?? []).map((one) => one.response?.location ?? "");
    const [stored, person] = await Promise.all(locations.map((one) => client.request(one)));
    expect(stored).toMatchObject({ subject: { reference: `Patient/${received<Patient>(person).id}` } });
  });

  test("runs a batch whose entries fail on their own", async () => {
    // https://hl7.org/fhir/R4/http.html#transaction
    const body = sent({
      resourceType: "Bundle",
      type: "batch",
      entry: [
        { request: { method: "GET", url: "Patient/nobody" } },
        { resource: patient("Batched"), request: { method: "POST", url: "Patient" } },
      ],
    });
    const answer = received<Bundle>(await client.batch({ body }));
    expect(answer.entry?.map((one) => one.response?.status.slice(0, 3))).toEqual(["404", "201"]);
  });

  test("lists the history newest first, deletes, and is told by 410 that it is gone", async () => {
    // https://hl7.org/fhir/R4/http.html#history and #delete
    const { id } = await created(patient("Short"));
    const deleted = await client.delete({ resourceType: "Patient", id });
    const gone = await refusal(client.read({ resourceType: "Patient", id }));
    const history = received<Bundle>(await client.history({ resourceType: "Patient", id }));
    expect([200, 204]).toContain(status(deleted));
    expect(gone.response?.status).toBe(410);
    expect(history.entry?.map((one) => one.request?.method)).toEqual(["DELETE", "POST"]);
  });

  test("gets everything of one patient, by GET and by POST", async () => {
    // https://hl7.org/fhir/R4/patient-operation-everything.html
    const { id } = await created(patient("Everything"));
    const about = await created(observation(id, "Theirs"));
    const ask = { name: "$everything", resourceType: "Patient", id };
    const [gotten, posted] = await Promise.all([
      client.operation({ ...ask, method: "GET" }),
      client.operation({ ...ask, method: "POST", input: { resourceType: "Parameters" } as FhirResource }),
    ]);
    expect(new Set(idsOf(received<Bundle>(gotten)))).toEqual(new Set([id, about.id]));
    expect(new Set(idsOf(received<Bundle>(posted)))).toEqual(new Set([id, about.id]));
  });

  test("resolves a reference it found", async () => {
    const { id } = await created(patient("Referenced"));
    const resolved = await client.resolve({ reference: `Patient/${id}` });
    expect(resolved).toMatchObject({ resourceType: "Patient", id });
  });
});
