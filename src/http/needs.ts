import { allows, type Need, readScope } from "../fhir/scopes.ts";

/**
 * What each route asks of a client, as scopes; `:type` and `:member` stand for what the address names there. An empty list
 * asks for a valid token and nothing more: what the request is about settles the rest (`entryNeeds`).
 */
export const routeNeeds: Readonly<Record<string, readonly string[]>> = {
  "POST /fhir": [],
  "GET /fhir": ["system/*.s"],
  "POST /fhir/_search": ["system/*.s"],
  "GET /fhir/_history": ["system/*.s"],
  "POST /fhir/:type": ["system/:type.c"],
  "GET /fhir/:type": ["system/:type.s"],
  "POST /fhir/:type/_search": ["system/:type.s"],
  "PUT /fhir/:type": ["system/:type.cus"],
  // The answer of a patch shows the whole resource.
  "PATCH /fhir/:type": ["system/:type.rus"],
  "DELETE /fhir/:type": ["system/:type.ds"],
  "GET /fhir/:type/_history": ["system/:type.s"],
  "GET /fhir/:type/:id": ["system/:type.r"],
  // An update that would create needs system/:type.c as well; a create on a condition needs what `conditionalCreate` says.
  "PUT /fhir/:type/:id": ["system/:type.u"],
  "PATCH /fhir/:type/:id": ["system/:type.ru"],
  "DELETE /fhir/:type/:id": ["system/:type.d"],
  "GET /fhir/:type/:id/_history": ["system/:type.r"],
  "GET /fhir/:type/:id/_history/:version": ["system/:type.r"],
  "GET /fhir/:type/:id/:member": ["system/:member.s"],
  "POST /fhir/:type/:id/:member/_search": ["system/:member.s"],
  "POST /fhir/:type/$validate": ["system/:type.r"],
  "GET /fhir/:type/:id/$validate": ["system/:type.r"],
  "POST /fhir/:type/:id/$validate": ["system/:type.r"],
  "GET /fhir/$meta": ["system/*.s"],
  "POST /fhir/$meta": ["system/*.s"],
  "GET /fhir/:type/$meta": ["system/:type.s"],
  "POST /fhir/:type/$meta": ["system/:type.s"],
  "GET /fhir/:type/:id/$meta": ["system/:type.r"],
  "POST /fhir/:type/:id/$meta": ["system/:type.r"],
  "GET /fhir/:type/:id/_history/:version/$meta": ["system/:type.r"],
  "POST /fhir/:type/:id/_history/:version/$meta": ["system/:type.r"],
  "POST /fhir/:type/:id/$meta-add": ["system/:type.ru"],
  "POST /fhir/:type/:id/$meta-delete": ["system/:type.ru"],
  "GET /fhir/Patient/:id/$everything": ["system/Patient.r"],
  "POST /fhir/Patient/:id/$everything": ["system/Patient.r"],
  // An export needs system/<type>.rs of each type, an import system/<type>.cu of each line; their files are for who began them.
  "GET /fhir/$export": [],
  "POST /fhir/$export": [],
  "GET /fhir/Patient/$export": [],
  "POST /fhir/Patient/$export": [],
  "GET /fhir/Group/:id/$export": [],
  "POST /fhir/Group/:id/$export": [],
  "GET /fhir/$export/:jobId": [],
  "DELETE /fhir/$export/:jobId": [],
  "GET /fhir/$export/:jobId/:file": [],
  "POST /fhir/$import": [],
  "GET /fhir/$import/:jobId": [],
  "DELETE /fhir/$import/:jobId": [],
  "GET /fhir/$import/:jobId/:file": [],
  "POST /fhir/Patient/$match": ["system/Patient.s"],
  "GET /fhir/Observation/$lastn": ["system/Observation.s"],
  "POST /fhir/Observation/$lastn": ["system/Observation.s"],
  "GET /fhir/Subscription/$status": ["system/Subscription.s"],
  "POST /fhir/Subscription/$status": ["system/Subscription.s"],
  "GET /fhir/Subscription/:id/$status": ["system/Subscription.r"],
  "POST /fhir/Subscription/:id/$status": ["system/Subscription.r"],
  "GET /fhir/Subscription/:id/$events": ["system/Subscription.r"],
  "POST /fhir/Subscription/:id/$events": ["system/Subscription.r"],
  "GET /fhir/ValueSet/$expand": ["system/ValueSet.r"],
  "POST /fhir/ValueSet/$expand": ["system/ValueSet.r"],
  "GET /fhir/ValueSet/:id/$expand": ["system/ValueSet.r"],
  "POST /fhir/ValueSet/:id/$expand": ["system/ValueSet.r"],
  "GET /fhir/ValueSet/$validate-code": ["system/ValueSet.r"],
  "POST /fhir/ValueSet/$validate-code": ["system/ValueSet.r"],
  "GET /fhir/ValueSet/:id/$validate-code": ["system/ValueSet.r"],
  "POST /fhir/ValueSet/:id/$validate-code": ["system/ValueSet.r"],
  "GET /fhir/CodeSystem/$lookup": ["system/CodeSystem.r"],
  "POST /fhir/CodeSystem/$lookup": ["system/CodeSystem.r"],
  // And what the kind of report asks for: `reportNeeds`.
  "GET /fhir/Measure/$evaluate-measure": ["system/Measure.r"],
  "POST /fhir/Measure/$evaluate-measure": ["system/Measure.r"],
  "GET /fhir/Measure/:id/$evaluate-measure": ["system/Measure.r"],
  "POST /fhir/Measure/:id/$evaluate-measure": ["system/Measure.r"],
  // Who did what tells of people: no scope of a type opens it.
  "GET /fhir/AuditEvent": ["tidegate/audit.r"],
  "POST /fhir/AuditEvent/_search": ["tidegate/audit.r"],
  "GET /fhir/AuditEvent/:id": ["tidegate/audit.r"],
  "POST /api/v1/use-records": ["tidegate/use-records.c"],
  "GET /api/v1/uploads": ["tidegate/use-records.r"],
  "GET /api/v1/uploads/:uploadId": ["tidegate/use-records.r"],
  "GET /api/v1/uploads/:uploadId/content": ["tidegate/use-records.r"],
  "POST /api/v1/uploads/:uploadId/replay": ["tidegate/use-records.u"],
  "POST /api/v1/hl7v2": ["tidegate/messages.c"],
  "GET /api/v1/messages": ["tidegate/messages.r"],
  "GET /api/v1/messages/:messageId": ["tidegate/messages.r"],
  "GET /api/v1/messages/:messageId/content": ["tidegate/messages.r"],
  "POST /api/v1/messages/:messageId/replay": ["tidegate/messages.u"],
  "GET /api/v1/caseload": ["tidegate/dashboard.r"],
  "GET /api/v1/patients/:patientId/days": ["tidegate/dashboard.r"],
  "GET /api/v1/patients/:patientId/change-signal": ["tidegate/dashboard.r"],
  "GET /api/v1/patients/:patientId/explain": ["tidegate/dashboard.r"],
  "GET /api/v1/patients/:patientId/review": ["tidegate/dashboard.r"],
  "GET /api/v1/patients/:patientId/parts": ["tidegate/dashboard.r"],
  "GET /api/v1/parts/forecast": ["tidegate/dashboard.r"],
  "GET /api/v1/tasks/:taskId/explain": ["tidegate/dashboard.r"],
  "GET /api/v1/events": ["tidegate/dashboard.r"],
  "POST /api/v1/subscriptions/:subscriptionId/secret": ["system/Subscription.u"],
  "GET /api/v1/thresholds": ["tidegate/thresholds.r"],
  "PUT /api/v1/thresholds": ["tidegate/thresholds.u"],
  "GET /api/v1/thresholds/history": ["tidegate/thresholds.r"],
  "GET /api/v1/plans/:planId/thresholds": ["tidegate/thresholds.r"],
  "PUT /api/v1/plans/:planId/thresholds": ["tidegate/thresholds.u"],
  "GET /api/v1/plans/:planId/thresholds/history": ["tidegate/thresholds.r"],
  "GET /api/v1/clients": ["tidegate/clients.r"],
  "POST /api/v1/clients": ["tidegate/clients.c"],
  "GET /api/v1/clients/:clientId": ["tidegate/clients.r"],
  "PUT /api/v1/clients/:clientId": ["tidegate/clients.u"],
  // A commissioner reads what was released; who may ask for one or sign it off reads drafts as well.
  "GET /api/v1/releases": ["tidegate/releases.r"],
  "POST /api/v1/releases": ["tidegate/releases.c"],
  "GET /api/v1/releases/:number": ["tidegate/releases.r"],
  "GET /api/v1/releases/:number.csv": ["tidegate/releases.r"],
  "GET /api/v1/releases/:number/page": ["tidegate/releases.r"],
  "POST /api/v1/releases/:number/sign-off": ["tidegate/releases.u"],
  "POST /api/v1/releases/:number/withdraw": ["tidegate/releases.u"],
};

/** What a route as it was declared asks for; undefined where nothing says. HEAD is asked of as GET is. */
export function needsOfRoute(method: string, url: string): readonly string[] | undefined {
  const key = `${method === "HEAD" ? "GET" : method} ${url.replace(/\/$/, "")}`;
  return Object.hasOwn(routeNeeds, key) ? routeNeeds[key] : undefined;
}

/** A report about one person is computed from records of every kind; a summary is of what was released. */
export const reportNeeds = { subject: ["system/*.r"], summary: ["tidegate/releases.r"] } as const;

/** A create on a condition searches, and answers with what it finds. */
export const conditionalCreate = ["system/:type.crs"];

/** The needs of a scope's text, one for each of its letters; `:name` is replaced by what the address names. */
export function needsOf(texts: readonly string[], named: Readonly<Record<string, string>> = {}): Need[] {
  return texts.flatMap((text): Need[] => {
    const filled = text.replace(/:(type|member)/, (_, name: string) => named[name] ?? "*");
    const scope = readScope(filled);
    // An address may name anything; what is no type is nobody's.
    if (scope === undefined) return [{ context: "system", of: "", to: "r" }];
    return scope.may.map((to) => ({ context: scope.context, of: scope.of, to }));
  });
}

/**
 * The needs of one entry of a transaction (https://hl7.org/fhir/R4/http.html#transaction). A search in it sees what the
 * transaction has written, and more than a confined client may: it needs every type; a batch answers it otherwise.
 */
export function entryNeeds(method: string, url: string, ifNoneExist = false): Need[] {
  const path = url.replace(/^\//, "").replace(/[?#].*$/s, "");
  const [type = "", id] = path.split("/");
  if (method === "GET" || method === "HEAD")
    return needsOf([id === undefined ? "system/*.s" : "system/:type.r"], { type });
  const letters = {
    POST: ifNoneExist ? "crs" : "c",
    PUT: id === undefined ? "cus" : "cu",
    PATCH: id === undefined ? "rus" : "ru",
    DELETE: id === undefined ? "ds" : "d",
  };
  return needsOf([`system/:type.${Object.hasOwn(letters, method) ? letters[method as "POST"] : "cruds"}`], { type });
}

/** The first need that the scopes do not let pass. */
export function unmet(scopes: Parameters<typeof allows>[0], needs: readonly Need[]): Need | undefined {
  return needs.find((need) => !allows(scopes, need));
}
