import type { CapabilityStatement, CapabilityStatementRest, CapabilityStatementRestResource } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { defaultBulkLimits } from "../../src/flows/bulk-limits.ts";
import { publishDefinitions } from "../../src/flows/publish-definitions.ts";
import { type TestApp, testApp } from "../support/app.ts";
import {
  type Answer,
  type DeclaredRequest,
  keptId,
  oneOfEachKind,
  operationRequests,
  searchRequest,
  sender,
  strictSearch,
  systemInteractions,
  typeInteractions,
} from "../support/declared-requests.ts";
import { minimalResource } from "../support/minimal-resource.ts";

// What https://hl7.org/fhir/R4/capabilitystatement.html is for: a client may believe each line of it.

let made: TestApp;
let send: (request: DeclaredRequest) => Promise<Answer>;
let rest: CapabilityStatementRest;
let resources: CapabilityStatementRestResource[];

beforeAll(async () => {
  // Each declared export is begun, and none is worked on.
  made = await testApp("2026-03-01T10:00:00Z", { limits: { bulk: { ...defaultBulkLimits, jobsPerClient: 10 } } });
  send = sender(made);
  const statement = (await send({ method: "GET", path: "/metadata" })).body as unknown as CapabilityStatement;
  [rest] = statement.rest as [CapabilityStatementRest];
  // The trail has a door of its own, and a test: tests/http/audit-search.test.ts.
  resources = rest.resource?.filter((one) => one.type !== "AuditEvent") ?? [];
  await publishDefinitions(made.service);
});
afterAll(async () => made.close());

/** Lines of the answers that are not as `expected`. */
async function unlike(expected: (status: number) => boolean, requests: readonly DeclaredRequest[]): Promise<string[]> {
  const found: string[] = [];
  for (const request of requests) {
    const answer = await send(request);
    if (!expected(answer.status)) found.push(answer.line);
  }
  return found;
}

const isDone = (status: number) => status >= 200 && status < 300;
const isRefused = (status: number) => [400, 404, 405, 501].includes(status);

test("the statement that the checks below read declares types, interactions, parameters and operations", () => {
  expect(resources.length).toBeGreaterThan(30);
  expect(resources.flatMap((one) => one.interaction ?? []).length).toBeGreaterThan(200);
  expect(resources.flatMap((one) => one.searchParam ?? []).length).toBeGreaterThan(500);
  expect(resources.flatMap((one) => one.operation ?? []).length).toBeGreaterThan(100);
});

// The guard's own test: what nobody answers is seen as such.
test("a declared thing that is not answered would be caught", async () => {
  const notThere: DeclaredRequest = { method: "GET", path: "/Appointment/$no-such-operation" };
  expect(await unlike(isDone, [notThere])).toHaveLength(1);
  expect(await unlike(isRefused, [{ method: "GET", path: "/metadata" }])).toHaveLength(1);
});

describe.sequential("what is declared is answered", () => {
  test("an update may create a resource of every type (updateCreate)", async () => {
    const requests = resources.flatMap(({ type, updateCreate }) =>
      [keptId, "to-be-deleted"].map((id): DeclaredRequest => {
        expect(updateCreate).toBe(true);
        return { method: "PUT", path: `/${type}/${id}`, body: { ...minimalResource(type ?? ""), id } };
      }),
    );
    expect(await unlike((status) => status === 201, requests)).toEqual([]);
  });

  test("every interaction of every type", async () => {
    const requests = resources.flatMap(({ type = "", interaction = [] }) =>
      interaction.map(({ code = "" }) => {
        const request = typeInteractions[code];
        if (request === undefined) throw new Error(`no request is known for the interaction ${code}`);
        return request(type);
      }),
    );
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  test("every interaction of the system", async () => {
    const requests = (rest.interaction ?? []).map(({ code = "" }) => {
      const request = systemInteractions[code];
      if (request === undefined) throw new Error(`no request is known for the interaction ${code}`);
      return request;
    });
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  // https://hl7.org/fhir/R4/http.html#cond-update, #ccreate, #cdelete, #cread
  test("conditional create, read, update and delete of every type", async () => {
    const found: string[] = [];
    for (const { type = "", ...declared } of resources) {
      const { conditionalCreate, conditionalRead, conditionalUpdate, conditionalDelete } = declared;
      expect([conditionalCreate, conditionalUpdate]).toEqual([true, true]);
      expect([conditionalRead, conditionalDelete]).toEqual(["full-support", "multiple"]);
      const read = { method: "GET", path: `/${type}/${keptId}` } as const;
      const versionId = ((await send(read)).body as { meta?: { versionId?: string } }).meta?.versionId;
      const body = minimalResource(type);
      const headers = { "if-none-exist": `_id=${keptId}` };
      const requests: [expected: number, DeclaredRequest][] = [
        [200, { method: "POST", path: `/${type}`, body, headers }],
        [304, { ...read, headers: { "if-none-match": `W/"${versionId}"` } }],
        [304, { ...read, headers: { "if-modified-since": "Sun, 01 Mar 2026 10:00:00 GMT" } }],
        [200, { method: "PUT", path: `/${type}?_id=${keptId}`, body }],
        [204, { method: "DELETE", path: `/${type}?_id=not-there-1,not-there-2` }],
      ];
      for (const [expected, request] of requests)
        found.push(
          ...(await unlike((status) => status === expected || (expected === 204 && isDone(status)), [request])),
        );
    }
    expect(found).toEqual([]);
  });

  test("a search by one parameter of each kind, with strict handling", async () => {
    const requests = resources.flatMap(({ type = "", searchParam = [] }) =>
      oneOfEachKind(searchParam).map((one) => searchRequest(type, one)),
    );
    expect(requests.length).toBeGreaterThan(200);
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  test("a search by POST of every type", async () => {
    const requests = resources.map(
      ({ type }): DeclaredRequest => ({
        method: "POST",
        path: `/${type}/_search`,
        body: `_id=${keptId}`,
        headers: { "content-type": "application/x-www-form-urlencoded" },
      }),
    );
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  test("a search of the system by each of its parameters", async () => {
    const requests = (rest.searchParam ?? []).map((one) => {
      const request = searchRequest("", one);
      return one.name === "_type" ? request : { ...request, path: `${request.path}&_type=Patient` };
    });
    expect(requests.length).toBeGreaterThan(5);
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  test("the first and the last inclusion of every type", async () => {
    const ends = (values: readonly string[]) => [...new Set([...values.slice(0, 2), ...values.slice(-1)])];
    const requests = resources.flatMap(({ type = "", searchInclude = [], searchRevInclude = [] }) => [
      ...ends(searchInclude).map((value) => strictSearch(`/${type}`, "_include", value)),
      ...ends(searchRevInclude).map((value) => strictSearch(`/${type}`, "_revinclude", value)),
    ]);
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  test("each compartment", async () => {
    expect(rest.compartment).toEqual(["http://hl7.org/fhir/CompartmentDefinition/patient"]);
    expect(await unlike(isDone, [{ method: "GET", path: `/Patient/${keptId}/Observation` }])).toEqual([]);
  });

  test("every operation on each of its levels", async () => {
    // Operations on definitions are asked of our own.
    const definitions: Record<string, string> = { ValueSet: "device-kind", CodeSystem: "device-kind" };
    const instance = (type: string) => definitions[type] ?? keptId;
    const requests = [...resources, { type: "", operation: rest.operation ?? [] }].flatMap(({ type, operation = [] }) =>
      operation.flatMap(({ name = "", documentation = "" }) => {
        const request = operationRequests[name];
        if (request === undefined) throw new Error(`no request is known for the operation ${name}`);
        const id = name === "evaluate-measure" ? "days-used" : instance(type ?? "");
        const addresses = { system: "", type: `/${type}`, instance: `/${type}/${id}` };
        const levels = documentation.match(/\b(system|type|instance)\b/g) as (keyof typeof addresses)[];
        return levels.map((level) => request(addresses[level], type ?? ""));
      }),
    );
    expect(requests.length).toBeGreaterThan(200);
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  test("each format of a patch", async () => {
    const addition = {
      resourceType: "Parameters",
      parameter: [
        {
          name: "operation",
          part: [
            { name: "type", valueCode: "add" },
            { name: "path", valueString: "Patient" },
            { name: "name", valueString: "active" },
            { name: "value", valueBoolean: true },
          ],
        },
      ],
    };
    const jsonPatch = [{ op: "add", path: "/gender", value: "other" }];
    const patch = (type: string, body: unknown): DeclaredRequest => ({
      method: "PATCH",
      path: `/Patient/${keptId}`,
      body,
      headers: { "content-type": type },
    });
    const requests = [patch("application/json-patch+json", jsonPatch), patch("application/fhir+json", addition)];
    expect(await unlike(isDone, requests)).toEqual([]);
  });

  // https://hl7.org/fhir/R4/http.html#capabilities
  test("/metadata in each of its modes and formats", async () => {
    const kindOf = async (query: string) => (await send({ method: "GET", path: `/metadata${query}` })).body;
    for (const mode of ["", "?mode=full", "?mode=normative", "?_format=json", "?_format=application/fhir%2Bjson"])
      expect((await kindOf(mode)).resourceType, mode).toBe("CapabilityStatement");
    expect((await kindOf("?mode=terminology")).resourceType).toBe("TerminologyCapabilities");
  });

  test("each profile and each parameter of ours is served under its url", async () => {
    const urls = resources.flatMap(({ supportedProfile = [], searchParam = [] }) => [
      ...supportedProfile
        .filter((url) => url.startsWith("https://tidegate.example/"))
        .map((url) => ["StructureDefinition", url]),
      ...searchParam
        .filter((one) => one.definition?.startsWith("https://tidegate.example/"))
        .map((one) => ["SearchParameter", one.definition ?? ""]),
    ]);
    expect(urls.length).toBeGreaterThan(8);
    for (const [type = "", url = ""] of urls) {
      const { body, line } = await send(strictSearch(`/${type}`, "url", url));
      expect((body as { entry?: unknown[] }).entry?.length, line).toBe(1);
    }
  });
});

describe("what is not declared is refused", () => {
  test("a type that is switched off, in every way", async () => {
    expect(resources.map((one) => one.type)).not.toContain("Appointment");
    const requests = Object.values(typeInteractions).map((request) => request("Appointment"));
    expect(await unlike(isRefused, [...requests, { method: "GET", path: "?_type=Appointment" }])).toEqual([]);
  });

  test("a type that R4 does not have", async () => {
    const requests: DeclaredRequest[] = [
      { method: "GET", path: "/Cough" },
      { method: "GET", path: `/Patient/${keptId}/Cough` },
    ];
    expect(await unlike(isRefused, requests)).toEqual([]);
  });

  test("operations that nobody declares, and declared ones where they are not declared", async () => {
    const paths = [
      "/$no-such-operation",
      "/Patient/$no-such-operation",
      `/Patient/${keptId}/$no-such-operation`,
      "/$validate",
      "/Patient/$everything",
      `/Flag/${keptId}/$everything`,
      "/Flag/$lastn",
      "/Patient/$expand",
      "/$lookup",
    ];
    const requests = paths.flatMap((path): DeclaredRequest[] => [
      { method: "GET", path },
      { method: "POST", path, body: { resourceType: "Parameters" } },
    ]);
    expect(await unlike(isRefused, requests)).toEqual([]);
  });

  test("under strict handling, parameters that are left out or unknown", async () => {
    const names = ["_text", "_content", "_filter", "_query", "_contained", "no-such-parameter"];
    const requests = resources.flatMap(({ type }) => names.map((name) => strictSearch(`/${type}`, name, "a")));
    const near = strictSearch("/Location", "near", "51.5|-0.1");
    expect(await unlike((status) => status === 400, [...requests, near])).toEqual([]);
  });

  // https://hl7.org/fhir/R4/http.html#mime-type: 406 for what the server does not write
  test("formats that are not declared", async () => {
    const formats = ["xml", "application/fhir+xml", "text/turtle", "ttl"];
    const requests = formats.map(
      (one): DeclaredRequest => ({
        method: "GET",
        path: `/Patient/${keptId}?_format=${encodeURIComponent(one)}`,
      }),
    );
    expect(await unlike((status) => status === 406, requests)).toEqual([]);
  });

  test("a mode of /metadata that R4 does not have", async () => {
    expect(await unlike((status) => status === 400, [{ method: "GET", path: "/metadata?mode=no-such" }])).toEqual([]);
  });
});
