import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";
import {
  aboutPerson,
  answerAbout,
  ask,
  confidential,
  label,
  personOnRecord,
  servedTypes,
  tellsOf,
  told,
} from "./withheld.ts";

// R4 leaves it to the server what a label does (https://hl7.org/fhir/R4/security-labels.html): here Anna's Patient is restricted,
// and with it everything of hers. Of Cora one session is very restricted. Nothing of Bert is.
let here: TestApp;
const tokens = { normal: "", restricted: "", integration: "" };
let session = "";

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z", { types: servedTypes });
  for (const id of ["anna", "bert", "cora"]) await personOnRecord(here, id, "ward");
  await relabel("Patient/anna", "R");
  const sessions = await idsAt(
    here.token,
    "Observation?subject=Patient/cora&date=2026-06-09&code=assisted-cough-session",
  );
  [session = ""] = sessions;
  expect(sessions).toHaveLength(2);
  for (const id of sessions) await relabel(`Observation/${id}`, "V");
  await reviewPatient(here.service, here.tenantId, "cora");
  tokens.normal = await tokenFor(here, "dashboard");
  tokens.restricted = await tokenFor(here, "dashboard", undefined, { confidentiality: "R" });
  tokens.integration = await tokenFor(here, "integration");
});

afterAll(() => here.close());

/** Labels what is stored, by the operation that is made for it. */
async function relabel(reference: string, code: string): Promise<void> {
  const payload = { resourceType: "Parameters", parameter: [{ name: "meta", valueMeta: { security: [label(code)] } }] };
  const answer = await ask(here, here.token, `/fhir/${reference}/$meta-add`, { method: "POST", payload });
  expect(answer.statusCode).toBe(200);
}

interface Found {
  readonly total?: number;
  readonly entry?: readonly {
    readonly resource?: { readonly id: string };
    readonly request?: { readonly method: string };
  }[];
}

async function bundleAt(token: string, query: string): Promise<Found> {
  return JSON.parse((await ask(here, token, `/fhir/${query}`)).body) as Found;
}

async function idsAt(token: string, query: string): Promise<string[]> {
  const { entry = [] } = await bundleAt(token, query);
  return entry.flatMap((one) => one.resource?.id ?? []);
}

describe("a client without clearance", () => {
  test.each(aboutPerson("anna"))("learns nothing of a restricted person from %s", async (url) => {
    const all = await ask(here, here.token, url);
    expect([url, all.statusCode, tellsOf("anna", all.body)]).toEqual([url, 200, true]);
    const { statusCode, body } = await ask(here, tokens.normal, url);
    expect(statusCode).toBeLessThan(500);
    expect(tellsOf("anna", body)).toBe(false);
  });

  test.each(aboutPerson("bert"))("sees somebody who is not restricted at %s", async (url) => {
    const { statusCode, body } = await ask(here, tokens.normal, url);
    expect([url, statusCode]).toEqual([url, 200]);
    expect(tellsOf("bert", body)).toBe(true);
  });

  test.each([
    "/fhir/Patient/{id}",
    "/fhir/Patient/{id}/_history",
    "/fhir/Patient/{id}/_history/1",
    "/fhir/Patient/{id}/_history/2",
    "/fhir/Patient/{id}/$meta",
    "/fhir/Patient/{id}/$everything",
    "/fhir/Patient/{id}/$validate",
    "/fhir/Patient/{id}/Observation",
    "/fhir/Patient?_id={id}&_summary=count",
    "/fhir/Basic/note-{id}",
    "/fhir/Appointment/visit-{id}/_history",
    "/fhir/Observation?subject=Patient/{id}&_summary=count",
    "/fhir/Observation?subject:Patient.family={id}&_summary=count",
    "/fhir/Patient?_has:Observation:subject:status=final&_id={id}&_total=accurate",
    "/fhir/Observation/$lastn?patient={id}&code=assisted-cough-session",
    "/fhir/Measure/days-used/$evaluate-measure?subject={id}&periodStart=2026-05-20&periodEnd=2026-06-01",
    "/api/v1/patients/{id}/days",
    "/api/v1/patients/{id}/explain?rule=low-use",
    "/api/v1/patients/{id}/review",
    "/api/v1/patients/{id}/review?asOf=2026-06-10T12:00:00Z",
    "/api/v1/patients/{id}/parts",
    "/api/v1/patients/{id}/change-signal",
    "/api/v1/plans/plan-{id}/thresholds",
  ])("is answered at %s as if there had never been such a person", async (url) => {
    const withheld = await answerAbout(here, tokens.normal, url, "anna");
    expect(withheld).toEqual(await answerAbout(here, tokens.normal, url, "nobody"));
  });

  test("is told nothing of a Task of hers, nor of why it is there", async () => {
    const [task = ""] = await idsAt(here.token, "Task?patient=anna");
    expect(task).not.toBe("");
    for (const url of ["/fhir/Task/{id}", "/api/v1/tasks/{id}/explain"]) {
      expect(await answerAbout(here, tokens.normal, url, task)).toEqual(
        await answerAbout(here, tokens.normal, url, "no-such-task"),
      );
    }
  });

  test("finds her by no form, no match and no Bundle", async () => {
    const headers = { "content-type": "application/x-www-form-urlencoded" };
    const form = await ask(here, tokens.normal, "/fhir/Patient/_search", {
      method: "POST",
      payload: "family=anna",
      headers,
    });
    expect(form.statusCode).toBe(200);
    expect(told(form.body)).not.toContain("anna");
    const person = { resourceType: "Patient", name: [{ family: "anna", given: ["Given"] }], gender: "female" };
    const payload = { resourceType: "Parameters", parameter: [{ name: "resource", resource: person }] };
    const match = await ask(here, tokens.normal, "/fhir/Patient/$match", { method: "POST", payload });
    expect(match.statusCode).toBe(200);
    expect(told(match.body)).not.toContain("note-anna");
    expect(JSON.parse(match.body)).not.toHaveProperty("entry.0");
    for (const type of ["batch", "transaction"]) {
      const urls = [
        "Patient/anna",
        "Patient/anna/_history/1",
        "Patient?family=anna",
        "Observation?subject:Patient.family=anna",
      ];
      const entry = urls
        .filter((url) => type === "batch" || !url.includes("_history"))
        .map((url) => ({ request: { method: "GET", url } }));
      const bundle = await ask(here, tokens.normal, "/fhir", {
        method: "POST",
        payload: { resourceType: "Bundle", type, entry },
      });
      expect(bundle.statusCode).toBe(200);
      const { entry: answers = [] } = JSON.parse(bundle.body) as {
        entry?: { resource?: { entry?: unknown; total?: number } }[];
      };
      expect(answers).toHaveLength(entry.length);
      expect(answers.map((one) => JSON.stringify(one.resource?.entry ?? [])).join("")).not.toContain("anna");
      expect(JSON.stringify(answers)).not.toContain('"family":"anna"');
    }
    expect((await ask(here, tokens.normal, "/fhir/Patient/anna", { method: "HEAD" })).statusCode).toBe(404);
  });

  test("sees no label in use that it may not see", async () => {
    expect((await ask(here, here.token, "/fhir/$meta")).body).toContain('"code":"R"');
    expect((await ask(here, tokens.restricted, "/fhir/$meta")).body).toContain('"code":"R"');
    expect((await ask(here, tokens.restricted, "/fhir/$meta")).body).not.toContain('"code":"V"');
    expect((await ask(here, tokens.normal, "/fhir/$meta")).body).not.toContain("Confidentiality");
  });
});

describe.each(["restricted", "integration"] as const)("a client with clearance (%s)", (client) => {
  test.each(aboutPerson("anna"))("sees a restricted person at %s", async (url) => {
    const { statusCode, body } = await ask(here, tokens[client], url);
    expect([url, statusCode]).toEqual([url, 200]);
    expect(tellsOf("anna", body)).toBe(true);
  });
});

describe.each(["normal", "restricted"] as const)("of sessions that are very restricted a client (%s)", (client) => {
  test("reads none, in no version", async () => {
    for (const part of ["", "/_history", "/_history/1", "/_history/2", "/$meta"]) {
      const url = `/fhir/Observation/{id}${part}`;
      expect(await answerAbout(here, tokens[client], url, session)).toEqual(
        await answerAbout(here, tokens[client], url, "no-such-session"),
      );
    }
  });

  test("finds and counts the others alone", async () => {
    const query = "Observation?subject=Patient/cora&_count=500";
    const [all, seen] = [await idsAt(here.token, query), await idsAt(tokens[client], query)];
    expect(seen).toEqual(all.filter((id) => seen.includes(id)));
    expect(seen).not.toContain(session);
    expect(all.length - seen.length).toBe(2);
    expect((await bundleAt(tokens[client], "Observation?subject=Patient/cora&_summary=count")).total).toBe(seen.length);
    expect(await idsAt(tokens[client], `Observation?_id=${session}`)).toEqual([]);
    expect(await idsAt(tokens[client], `Provenance?target=Observation/${session}`)).toEqual([]);
  });

  // "Not used" would be untrue, and a reason to ring somebody up.
  test("is shown a day that nobody can know, and none that was not used", async () => {
    const days = async (token: string) => {
      const { body } = await ask(here, token, "/api/v1/patients/cora/days");
      return (JSON.parse(body) as { days: { day: string; state: string; sessions: unknown }[] }).days;
    };
    expect((await days(here.token)).find((one) => one.day === "2026-06-09")).toMatchObject({ state: "used" });
    const seen = await days(tokens[client]);
    expect(seen.find((one) => one.day === "2026-06-09")).toMatchObject({ state: "unknown" });
    expect(seen.filter((one) => one.state === "not-used")).toEqual([]);
  });

  test("is shown no summary that was computed from them", async () => {
    const row = async (token: string) => {
      const { rows } = JSON.parse((await ask(here, token, "/api/v1/caseload")).body) as {
        rows: { patientId: string; reviewedDay: string | null; findings: unknown[] }[];
      };
      return rows.find((one) => one.patientId === "cora");
    };
    expect((await row(here.token))?.findings).not.toEqual([]);
    expect(await row(tokens[client])).toMatchObject({ reviewedDay: null, findings: [] });
  });
});

describe("each version has its own labels", () => {
  const basic = (id: string, labels: object = {}) =>
    ({ resourceType: "Basic", id, code: { text: "x" }, ...labels }) as { resourceType: string; id: string };
  const versions = async (id: string) => {
    const statuses = [1, 2].map(
      async (n) => (await ask(here, tokens.normal, `/fhir/Basic/${id}/_history/${n}`)).statusCode,
    );
    return Promise.all(statuses);
  };

  test("an old one that is labelled does not show where the newest is not", async () => {
    await put(here, basic("once", confidential("R")), basic("once"));
    expect(await versions("once")).toEqual([404, 200]);
    const history = await bundleAt(tokens.normal, "Basic/once/_history");
    expect([history.total, history.entry?.length]).toEqual([1, 1]);
    expect((await bundleAt(here.token, "Basic/once/_history")).total).toBe(2);
  });

  test("nor an old one that is not labelled where the newest is", async () => {
    await put(here, basic("now"), basic("now", confidential("R")));
    expect(await versions("now")).toEqual([404, 404]);
  });

  test("and a deletion tells nothing where what it deleted did not show", async () => {
    await put(here, basic("gone", confidential("V")));
    expect((await ask(here, here.token, "/fhir/Basic/gone", { method: "DELETE" })).statusCode).toBe(204);
    expect((await ask(here, here.token, "/fhir/Basic/gone")).statusCode).toBe(410);
    expect((await ask(here, tokens.normal, "/fhir/Basic/gone")).statusCode).toBe(404);
    expect((await ask(here, tokens.normal, "/fhir/Basic/_history")).body).not.toContain("gone");
  });

  // L, M and U are below normal (https://terminology.hl7.org/CodeSystem-v3-Confidentiality.html).
  test.each(["U", "L", "M", "N"])("a label of %s hides nothing", async (code) => {
    await put(here, basic("plain", confidential(code)));
    expect((await ask(here, tokens.normal, "/fhir/Basic/plain")).statusCode).toBe(200);
  });

  test("the same letter of another system hides nothing", async () => {
    await put(here, basic("other", { meta: { security: [{ system: "urn:x", code: "V" }] } }));
    expect((await ask(here, tokens.normal, "/fhir/Basic/other")).statusCode).toBe(200);
  });
});
