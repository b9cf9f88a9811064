import type { CodeSystem, Parameters, ValueSet } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../domain/result.ts";
import type { ReadJson } from "../fhir/json.ts";
import { checkResource } from "../fhir/resource-check.ts";
import { uriTerm } from "../fhir/search/uri.ts";
import { withoutVersion } from "../fhir/terminology/canonical.ts";
import { type CodeList, type CodeSources, codeListOf, codeTableOf } from "../fhir/terminology/code-table.ts";
import { type ExpandOptions, expandValueSet } from "../fhir/terminology/expand.ts";
import { heldTerminology } from "../fhir/terminology/held-terminology.ts";
import { conceptAskedFor, type LookupInput, lookUp } from "../fhir/terminology/lookup.ts";
import { type CodeToCheck, validateCode } from "../fhir/terminology/validate-code.ts";
import { readInTenant, type TenantSession } from "../store/database.ts";
import { resourcesWithTerms } from "../store/search.ts";
import { read } from "./read-resource.ts";
import type { Service } from "./service.ts";

/** Which value set is meant: a stored one by id, a known one by url, or one sent along. */
export interface ValueSetAsked {
  readonly id?: string;
  /** May end in `|version`. */
  readonly url?: string;
  readonly valueSet?: ReadJson;
  readonly valueSetVersion?: string;
}

/** Answers `$expand` for a value set of R4's own, of ours, of this tenant, or sent along. */
export async function expand(
  service: Service,
  tenantId: number,
  asked: ValueSetAsked,
  options: ExpandOptions,
): Promise<Result<ValueSet>> {
  const found = await valueSetWithSources(service, tenantId, asked);
  if (!found.ok) return found;
  const { list, sources } = found.value;
  const nowIso = new Date(service.now()).toISOString();
  return expandValueSet(list, options, { sources, nowIso, id: service.newId() });
}

/** Answers `$validate-code` for the same value sets. */
export async function checkCode(
  service: Service,
  tenantId: number,
  asked: ValueSetAsked,
  code: CodeToCheck,
): Promise<Result<Parameters>> {
  const found = await valueSetWithSources(service, tenantId, asked);
  if (!found.ok) return found;
  return validateCode(found.value.list, code, found.value.sources);
}

/** Answers `$lookup` for a code system of R4's own, of ours, or of this tenant. */
export async function lookUpCode(service: Service, tenantId: number, input: LookupInput): Promise<Result<Parameters>> {
  const concept = conceptAskedFor(input);
  if (!concept.ok) return concept;
  const sources = await readInTenant(service.database, tenantId, (session) =>
    sourcesWith(service, session, { systems: [concept.value.system], valueSets: [] }),
  );
  return sources.ok ? lookUp(sources.value, input) : sources;
}

async function valueSetWithSources(
  service: Service,
  tenantId: number,
  asked: ValueSetAsked,
): Promise<Result<{ list: CodeList; sources: CodeSources }>> {
  const found = await listAskedFor(service, tenantId, asked);
  if (!found.ok) return found;
  const list = found.value;
  const sources = await readInTenant(service.database, tenantId, (session) =>
    sourcesWith(service, session, namedBy(list)),
  );
  return sources.ok ? accepted({ list, sources: sources.value }) : sources;
}

/** A value set sent along wins over the address, as in the page's own example `POST [base]/ValueSet/23/$expand`. */
async function listAskedFor(service: Service, tenantId: number, asked: ValueSetAsked): Promise<Result<CodeList>> {
  const { id, url, valueSet } = asked;
  if (url !== undefined && (id !== undefined || valueSet !== undefined)) {
    const detail = "Name one value set: by its address, by url, or as valueSet.";
    return refused({ kind: "invalid", detail, status: 400 });
  }
  if (valueSet !== undefined) {
    const faults = checkResource(service.definitions, valueSet.value, "ValueSet");
    return faults.length > 0 ? refused(...faults) : accepted(codeListOf(valueSet.value as ValueSet));
  }
  if (id !== undefined) {
    const stored = await read(service, tenantId, "ValueSet", id);
    if (!stored.ok) return stored;
    return ofVersion(codeListOf(JSON.parse(stored.value.body) as ValueSet), asked.valueSetVersion);
  }
  if (url === undefined) {
    const detail = "Say which value set: send its url, or the value set itself as valueSet in a Parameters resource.";
    return refused({ kind: "required", detail, status: 400 });
  }
  return listByUrl(service, tenantId, url, asked.valueSetVersion ?? url.split("|")[1]);
}

async function listByUrl(
  service: Service,
  tenantId: number,
  url: string,
  version: string | undefined,
): Promise<Result<CodeList>> {
  const held = heldTerminology.codeList(url);
  if (held !== undefined) return ofVersion(held, version);
  const stored = await readInTenant(service.database, tenantId, (session) =>
    storedByUrl<ValueSet>(service, session, "ValueSet", [withoutVersion(url)]),
  );
  const fitting = stored.find((one) => version === undefined || one.version === version) ?? stored[0];
  if (fitting !== undefined) return ofVersion(codeListOf(fitting), version);
  const detail = `The value set ${url.slice(0, 200)} is not known here. Store it as a ValueSet, or send it as valueSet.`;
  return refused({ kind: "not-found", detail, status: 404 });
}

function ofVersion(list: CodeList, version: string | undefined): Result<CodeList> {
  if (version === undefined || list.version === undefined || list.version === version) return accepted(list);
  const detail = `Version ${list.version} of ${list.url} is held here, not ${version.slice(0, 64)}.`;
  return refused({ kind: "not-found", detail, status: 404 });
}

/** Code systems and value sets, by url. */
interface Named {
  readonly systems: readonly string[];
  readonly valueSets: readonly string[];
}

function namedBy(list: CodeList): Named {
  const parts = [...(list.compose?.include ?? []), ...(list.compose?.exclude ?? [])];
  return {
    systems: parts.flatMap((one) => one.system ?? []),
    valueSets: parts.flatMap((one) => one.valueSet ?? []).map(withoutVersion),
  };
}

/** Stored definitions that one question may draw in; each may be as large as a body may be. */
const mostStored = 50;

/**
 * What is held here, and beside it what this tenant has stored of all that is named, directly or by what is named. What
 * is held here wins over a stored resource of the same url: bindings are checked against it too.
 */
async function sourcesWith(service: Service, session: TenantSession, named: Named): Promise<Result<CodeSources>> {
  const tables = new Map<string, ReturnType<typeof codeTableOf>>();
  const lists = new Map<string, CodeList>();
  const seen = new Set<string>();
  const unseen = (urls: readonly string[]) => [...new Set(urls)].filter((url) => !seen.has(url));
  let asked = 0;
  for (let next = named; next.systems.length + next.valueSets.length > 0; ) {
    const [systems, valueSets] = [unseen(next.systems), unseen(next.valueSets)];
    for (const url of [...systems, ...valueSets]) seen.add(url);
    const missingSystems = systems.filter((url) => heldTerminology.codeTable(url) === undefined);
    const missingLists = valueSets.filter((url) => heldTerminology.codeList(url) === undefined);
    asked += missingSystems.length + missingLists.length;
    if (asked > mostStored) {
      const detail = `The value set draws in more than ${mostStored} value sets and code systems. Name fewer.`;
      return refused({ kind: "too-costly", detail, status: 422 });
    }
    for (const one of await storedByUrl<CodeSystem>(service, session, "CodeSystem", missingSystems)) {
      if (!tables.has(one.url ?? "")) tables.set(one.url ?? "", codeTableOf(one));
    }
    for (const one of await storedByUrl<ValueSet>(service, session, "ValueSet", missingLists)) {
      if (!lists.has(one.url ?? "")) lists.set(one.url ?? "", codeListOf(one));
    }
    const drawnIn = valueSets.flatMap((url) => heldTerminology.codeList(url) ?? lists.get(url) ?? []).map(namedBy);
    next = { systems: drawnIn.flatMap((one) => one.systems), valueSets: drawnIn.flatMap((one) => one.valueSets) };
  }
  return accepted({
    codeTable: (url) => heldTerminology.codeTable(url) ?? tables.get(withoutVersion(url)),
    codeList: (url) => heldTerminology.codeList(url) ?? lists.get(withoutVersion(url)),
  });
}

/** Stored resources with one of these urls, the one changed last before others of its url. */
async function storedByUrl<T extends CodeSystem | ValueSet>(
  service: Service,
  session: TenantSession,
  type: T["resourceType"],
  urls: readonly string[],
): Promise<T[]> {
  const atoms = service.definitions.parameters(type).get("url")?.atoms ?? [];
  const terms = atoms.flatMap((atom) => urls.map((url) => uriTerm(atom.key, url)));
  const found = await resourcesWithTerms(session, [{ type, terms }], mostStored);
  return [...found]
    .sort((one, other) => other.lastUpdatedMs - one.lastUpdatedMs)
    .map((one) => JSON.parse(one.body) as T)
    .filter((one) => one.url !== undefined && urls.includes(one.url));
}
