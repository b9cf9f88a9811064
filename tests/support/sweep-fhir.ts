import { type Neighbour, neighboursCodes } from "./neighbour.ts";
import {
  about,
  bert,
  forms,
  gets,
  likeBert,
  number,
  numbered,
  parameters,
  type Sweep,
  type Swept,
} from "./sweep-request.ts";

const period = "periodStart=2026-05-01&periodEnd=2026-06-01";

/** What reads, searches and operations of the FHIR door can ask of the neighbour's records. */
export function fhirReads(b: Neighbour, pages: (pattern: RegExp) => Swept[]): Sweep {
  const seen = `/fhir/Observation/${b.observationId}`;
  const agent = `agent:identifier=${b.client.clientId}`;
  return {
    // First, for each request from here on leaves its entry in the trail.
    "GET /fhir/AuditEvent": [
      ...gets("patient=bert", agent, "_count=500", "date=ge2000-01-01").map(({ url }) => ({
        url: `/fhir/AuditEvent?${url}`,
      })),
      ...pages(/AuditEvent/),
    ],
    "POST /fhir/AuditEvent/_search": forms(["/fhir/AuditEvent/_search", agent]),
    "GET /fhir/AuditEvent/:id": gets("/fhir/AuditEvent/2", "/fhir/AuditEvent/9"),
    "GET /fhir/:type/:id": gets(
      "/fhir/Patient/bert",
      "/fhir/Patient/bea",
      seen,
      `/fhir/Task/${b.taskId}`,
      "/fhir/Device/m-bert",
    ),
    "GET /fhir/:type/:id/_history": [
      ...gets("/fhir/Patient/bert/_history", `${seen}/_history`),
      ...pages(/bert\/_history/),
    ],
    "GET /fhir/:type/:id/_history/:version": gets("/fhir/Patient/bert/_history/1", "/fhir/Patient/bert/_history/2"),
    "GET /fhir/:type": [
      ...gets(
        ...[
          "_id=bert",
          number,
          "family=nextdoor",
          "birthdate=1971-03-04",
          "address:contains=next",
          "_count=500",
          "_summary=count",
        ],
        ...[
          "_has:Observation:subject:status=final&_summary=count",
          "organization.name:contains=next",
          "_tag=urn:example:tags|",
        ],
        ...[
          "_revinclude=Observation:subject&_count=500",
          "_include=Patient:organization",
          "_lastUpdated=gt2000-01-01&_sort=-_lastUpdated",
        ],
      ).map(({ url }) => ({ url: `/fhir/Patient?${url}` })),
      ...gets(
        ...[
          "Observation?subject=Patient/bert",
          "Observation?subject:Patient.family=nextdoor&_summary=count",
          "Observation?device=m-bert",
        ],
        ...[
          "Observation?_include=Observation:subject&_include=Observation:device&_count=500",
          "Task?patient=bert&_include=*",
        ],
        ...[
          "Device?_revinclude=DeviceUseStatement:device&_count=500",
          "Device?identifier=s-bert",
          "CarePlan?subject=bert",
        ],
        ...[`ValueSet?url=${neighboursCodes.valueSet}`, "Organization?_elements=name"],
      ).map(({ url }) => ({ url: `/fhir/${encodeURI(url)}` })),
      ...pages(/^\/fhir\/(Patient|Observation)\?/),
    ],
    "GET /fhir": [
      ...gets("/fhir?_type=Patient,Observation,Task&_count=500", "/fhir/?_id=bert", "/fhir?_summary=count"),
      ...pages(/^\/fhir\/?\?/),
    ],
    "POST /fhir/_search": forms(["/fhir/_search", "_type=Patient,Task&_id=bert"], ["/fhir/_search", "_summary=count"]),
    "POST /fhir/:type/_search": forms(
      ["/fhir/Patient/_search", number],
      ["/fhir/Patient/_search", "_has:Observation:subject:status=final"],
      ["/fhir/Observation/_search", "subject:Patient.identifier=4711&_total=accurate"],
    ),
    "GET /fhir/:type/:id/:member": [
      ...gets("/fhir/Patient/bert/Observation", "/fhir/Patient/bert/*"),
      ...pages(/bert\/Observation/),
    ],
    "POST /fhir/:type/:id/:member/_search": forms(["/fhir/Patient/bert/CarePlan/_search", "status=active"]),
    "GET /fhir/_history": [
      ...gets("/fhir/_history?_count=500", "/fhir/_history?_since=2000-01-01T00:00:00Z"),
      ...pages(/^\/fhir\/_history/),
    ],
    "GET /fhir/:type/_history": [
      ...gets("/fhir/Patient/_history", "/fhir/Organization/_history"),
      ...pages(/Patient\/_history/),
    ],
    "GET /fhir/$meta": gets("/fhir/$meta"),
    "POST /fhir/$meta": [{ url: "/fhir/$meta" }],
    "GET /fhir/:type/$meta": gets("/fhir/Patient/$meta"),
    "POST /fhir/:type/$meta": [{ url: "/fhir/Patient/$meta" }],
    "GET /fhir/:type/:id/$meta": gets("/fhir/Patient/bert/$meta"),
    "POST /fhir/:type/:id/$meta": [{ url: "/fhir/Patient/bert/$meta" }],
    "GET /fhir/:type/:id/_history/:version/$meta": gets("/fhir/Patient/bert/_history/1/$meta"),
    "POST /fhir/:type/:id/_history/:version/$meta": [{ url: "/fhir/Patient/bert/_history/1/$meta" }],
    "GET /fhir/:type/:id/$validate": gets(
      "/fhir/Patient/bert/$validate",
      "/fhir/Patient/bert/$validate?mode=delete",
      `${seen}/$validate`,
    ),
    "POST /fhir/:type/:id/$validate": [
      { url: "/fhir/Patient/bert/$validate", body: parameters({ name: "mode", valueCode: "delete" }) },
      {
        url: "/fhir/Patient/bert/$validate",
        body: parameters({ name: "mode", valueCode: "update" }, { name: "resource", resource: bert }),
      },
    ],
    "POST /fhir/:type/$validate": [
      {
        url: "/fhir/Observation/$validate",
        body: parameters({ name: "mode", valueCode: "create" }, { name: "resource", resource: about }),
      },
    ],
    "GET /fhir/Patient/:id/$everything": [...gets("/fhir/Patient/bert/$everything"), ...pages(/\$everything/)],
    "POST /fhir/Patient/:id/$everything": [
      { url: "/fhir/Patient/bert/$everything", body: parameters({ name: "_count", valueInteger: 5 }) },
    ],
    "POST /fhir/Patient/$match": [
      { url: "/fhir/Patient/$match", body: parameters({ name: "resource", resource: likeBert }) },
      {
        url: "/fhir/Patient/$match",
        body: parameters({ name: "resource", resource: numbered }, { name: "onlyCertainMatches", valueBoolean: true }),
      },
    ],
    "GET /fhir/Observation/$lastn": gets("/fhir/Observation/$lastn?patient=bert&code=assisted-cough-session"),
    "POST /fhir/Observation/$lastn": forms([
      "/fhir/Observation/$lastn",
      "patient=bert&code=assisted-cough-session&max=3",
    ]),
    ...terminology(),
    "GET /fhir/Measure/$evaluate-measure": gets(
      `/fhir/Measure/$evaluate-measure?measure=days-used&subject=bert&${period}`,
    ),
    "POST /fhir/Measure/$evaluate-measure": [
      measured("/fhir/Measure/$evaluate-measure", { name: "measure", valueString: "days-used" }),
    ],
    "GET /fhir/Measure/:id/$evaluate-measure": gets(`/fhir/Measure/days-used/$evaluate-measure?subject=bert&${period}`),
    "POST /fhir/Measure/:id/$evaluate-measure": [measured("/fhir/Measure/days-used/$evaluate-measure")],
  };
}

function measured(url: string, ...more: object[]): Swept {
  const asked = [
    { name: "subject", valueString: "bert" },
    { name: "periodStart", valueDate: "2026-05-01" },
    { name: "periodEnd", valueDate: "2026-06-01" },
  ];
  return { url, body: parameters(...asked, ...more) };
}

function terminology(): Sweep {
  const { valueSet, codeSystem } = neighboursCodes;
  const code = `system=${codeSystem}&code=one`;
  const [url, coded] = [
    { name: "url", valueUri: valueSet },
    [
      { name: "system", valueUri: codeSystem },
      { name: "code", valueCode: "one" },
    ],
  ];
  const [all, one] = ["/fhir/ValueSet", "/fhir/ValueSet/kinds"];
  return {
    "GET /fhir/ValueSet/$expand": gets(`${all}/$expand?url=${valueSet}`),
    "POST /fhir/ValueSet/$expand": [{ url: `${all}/$expand`, body: parameters(url) }],
    "GET /fhir/ValueSet/:id/$expand": gets(`${one}/$expand`),
    "POST /fhir/ValueSet/:id/$expand": [
      { url: `${one}/$expand`, body: parameters({ name: "count", valueInteger: 5 }) },
    ],
    "GET /fhir/ValueSet/$validate-code": gets(`${all}/$validate-code?url=${valueSet}&${code}`),
    "POST /fhir/ValueSet/$validate-code": [{ url: `${all}/$validate-code`, body: parameters(url, ...coded) }],
    "GET /fhir/ValueSet/:id/$validate-code": gets(`${one}/$validate-code?${code}`),
    "POST /fhir/ValueSet/:id/$validate-code": [{ url: `${one}/$validate-code`, body: parameters(...coded) }],
    "GET /fhir/CodeSystem/$lookup": gets(`/fhir/CodeSystem/$lookup?${code}`),
    "POST /fhir/CodeSystem/$lookup": [{ url: "/fhir/CodeSystem/$lookup", body: parameters(...coded) }],
  };
}
