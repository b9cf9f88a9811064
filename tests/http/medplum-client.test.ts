import { MedplumClient } from "@medplum/core";
import type { Bundle, Patient, Resource } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { idsOf, observation, patient } from "../support/client-examples.ts";
import { type ListeningApp, listeningApp } from "../support/listening-app.ts";

// A FHIR client that others wrote, over HTTP: what it asks, and how it reads the answers, is none of our doing.
let here: ListeningApp;

beforeAll(async () => {
  here = await listeningApp("2026-04-10T09:00:00Z");
});

afterAll(() => here.close());

const familiesOf = (bundle: Bundle<Patient>) => (bundle.entry ?? []).map((one) => one.resource?.name?.[0]?.family);

describe("the client of @medplum/core", () => {
  let client: MedplumClient;

  beforeAll(() => {
    client = new MedplumClient({
      baseUrl: `${here.origin}/`,
      fhirUrlPath: "fhir/",
      accessToken: here.token,
      fetch,
      cacheTime: 0,
      autoBatchTime: 0,
    });
  });

  test("reads the capability statement", async () => {
    const statement: Resource = await client.get(client.fhirUrl("metadata"));
    expect(statement).toMatchObject({ resourceType: "CapabilityStatement", fhirVersion: "4.0.1" });
  });

  test("creates, reads, updates, and reads the version before", async () => {
    const made = await client.createResource(patient("Made"));
    const read = await client.readResource("Patient", made.id);
    expect(read).toEqual(made);
    const updated = await client.updateResource({ ...made, name: [{ family: "Changed" }] });
    const first = await client.readVersion("Patient", made.id, "1");
    expect(updated).toMatchObject({ id: made.id, meta: { versionId: "2" }, name: [{ family: "Changed" }] });
    expect(first).toEqual(made);
  });

  test("sends back what it read and gets it again", async () => {
    const made = await client.createResource(patient("Same"));
    const again = await client.updateResource(made);
    expect(again).toMatchObject({ id: made.id, name: [{ family: "Same" }] });
  });

  test("creates only where none is found", async () => {
    // https://hl7.org/fhir/R4/http.html#ccreate: the client sends If-None-Exist
    const person = { ...patient("Once"), identifier: [{ system: "urn:x:clinic", value: "once" }] };
    const first = await client.createResourceIfNoneExist(person, "identifier=urn:x:clinic|once");
    const second = await client.createResourceIfNoneExist(person, "identifier=urn:x:clinic|once");
    expect(second.id).toBe(first.id);
  });

  test("creates or updates by a search", async () => {
    // https://hl7.org/fhir/R4/http.html#cond-update
    const person = { ...patient("Upserted"), identifier: [{ system: "urn:x:clinic", value: "up" }] };
    const first = await client.upsertResource(person, { identifier: "urn:x:clinic|up" });
    const second = await client.upsertResource({ ...person, gender: "unknown" }, { identifier: "urn:x:clinic|up" });
    expect(second).toMatchObject({ id: first.id, gender: "unknown", meta: { versionId: "2" } });
  });

  test("patches by JSON Patch", async () => {
    const made = await client.createResource(patient("Unpatched"));
    const patched = await client.patchResource("Patient", made.id, [
      { op: "add", path: "/active", value: true },
      { op: "remove", path: "/birthDate" },
    ]);
    expect(patched).toMatchObject({ id: made.id, active: true });
    expect(patched.birthDate).toBeUndefined();
  });

  test("pages through seven results by next links", async () => {
    const made: string[] = [];
    for (let i = 0; i < 7; i += 1) made.push((await client.createResource(patient(`Leaf${i}`))).id);
    const pages: (string | undefined)[][] = [];
    for await (const page of client.searchResourcePages("Patient", { family: "Leaf", _count: 2, _sort: "family" })) {
      pages.push(page.map((one) => one.id));
    }
    expect(pages).toEqual([made.slice(0, 2), made.slice(2, 4), made.slice(4, 6), made.slice(6)]);
  });

  test("searches and counts", async () => {
    await client.createResource(patient("Counted"));
    const found = await client.search("Patient", { family: "Counted", _total: "accurate" });
    expect([found.total, familiesOf(found)]).toEqual([1, ["Counted"]]);
    expect((await client.searchOne("Patient", "family=Counted"))?.name?.[0]?.family).toBe("Counted");
  });

  test("includes what a result points to", async () => {
    // https://hl7.org/fhir/R4/search.html#include
    const { id } = await client.createResource(patient("Included"));
    const about = await client.createResource(observation(id, "With its patient"));
    const found = await client.search("Observation", { _id: about.id, _include: "Observation:subject" });
    expect(found.entry?.map((one) => [one.resource?.id, one.search?.mode])).toEqual([
      [about.id, "match"],
      [id, "include"],
    ]);
  });

  test("stores a transaction", async () => {
    const answer = await client.executeBatch({
      resourceType: "Bundle",
      type: "transaction",
      entry: [{ resource: patient("Transacted"), request: { method: "POST", url: "Patient" } }],
    });
    expect(answer.entry?.[0]?.response?.status).toMatch(/^201/);
  });

  test("joins reads that it makes at once into one batch", async () => {
    const joining = new MedplumClient({
      baseUrl: `${here.origin}/`,
      fhirUrlPath: "fhir/",
      accessToken: here.token,
      fetch,
      autoBatchTime: 20,
    });
    const [one, other] = [await client.createResource(patient("Left")), await client.createResource(patient("Right"))];
    const read = await Promise.all([
      joining.readResource("Patient", one.id),
      joining.readResource("Patient", other.id),
    ]);
    expect(read).toEqual([one, other]);
  });

  test("lists the history, deletes, and is told that it is gone", async () => {
    const { id } = await client.createResource(patient("Gone"));
    await client.deleteResource("Patient", id);
    await expect(client.readResource("Patient", id)).rejects.toMatchObject({
      outcome: { resourceType: "OperationOutcome" },
    });
    const history = await client.readHistory("Patient", id);
    expect(history.entry?.map((one) => one.request?.method)).toEqual(["DELETE", "POST"]);
  });

  test("gets everything of one patient, and the compartment of one", async () => {
    const { id } = await client.createResource(patient("Whole"));
    const about = await client.createResource(observation(id, "Part"));
    const everything = await client.readPatientEverything(id);
    expect(new Set(idsOf(everything))).toEqual(new Set([id, about.id]));
    const compartment: Bundle = await client.get(client.fhirUrl("Patient", id, "Observation"));
    expect(idsOf(compartment)).toEqual([about.id]);
  });

  test("searches by POST", async () => {
    const { id } = await client.createResource(patient("Formed"));
    const url = client.fhirUrl("Patient", "_search");
    const found: Bundle = await client.post(url, "family=Formed", "application/x-www-form-urlencoded");
    expect(idsOf(found)).toEqual([id]);
  });

  test("validates a resource and reads the outcome", async () => {
    // https://hl7.org/fhir/R4/resource-operation-validate.html
    const outcome = await client.validateResource(patient("Valid"));
    expect(outcome.issue?.some((one) => one.severity === "error")).toBe(false);
  });
});
