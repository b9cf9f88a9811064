import type { Resource } from "@medplum/fhirtypes";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";
import { type ParseOptions, parseSearch } from "../../src/fhir/search/parse.ts";
import type { SearchQuery } from "../../src/fhir/search/query.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { createResources, type NewResource } from "../../src/store/resource.ts";
import { type SearchPage, searchResources } from "../../src/store/search.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

/** When the searches of these tests are asked. */
export const nowMs = Date.UTC(2026, 5, 1);

/** A tenant that one test fills and searches. */
export interface Tenant {
  readonly tenantId: number;
  save(...resources: readonly Resource[]): Promise<void>;
  /** What `GET [type]?[text]` finds, by id. */
  ids(type: string, text: string, options?: Partial<ParseOptions>): Promise<string[]>;
  page(query: SearchQuery): Promise<SearchPage>;
}

/** A database of its own, searched with the parameters that the official definitions give. */
export interface SearchWorld {
  readonly database: Database;
  readonly definitions: Definitions;
  tenant(name: string): Promise<Tenant>;
  close(): Promise<void>;
}

/** Opens one: in `beforeAll`, closed in `afterAll`. */
export async function openSearchWorld(types: "default" | "all" = "default"): Promise<SearchWorld> {
  const made = await testDatabase();
  const database = openDatabase(made.connectionString);
  const definitions = createDefinitions({ types });
  return {
    database,
    definitions,
    async tenant(name) {
      const { tenantId } = await ensureTenant(database, name);
      const page = (query: SearchQuery) =>
        readInTenant(database, tenantId, (session) => searchResources(session, query));
      return {
        tenantId,
        page,
        async save(...resources) {
          const rows = resources.map((one) => stored(definitions, one));
          await inTenant(database, tenantId, (session) => createResources(session, rows));
        },
        async ids(type, text, options) {
          const found = await page(parsed(definitions, [type], text, options));
          return found.matches.map((match) => match.id);
        },
      };
    },
    async close() {
      await database.close();
      await made.drop();
    },
  };
}

/** A search as it is read from the text behind the question mark, ties by id; what it refuses is thrown. */
export function parsed(
  definitions: Definitions,
  types: readonly string[],
  text: string,
  options: Partial<ParseOptions> = {},
): SearchQuery {
  const read = parseSearch(definitions, types, [...new URLSearchParams(text)], {
    handling: "strict",
    defaultCount: 1_000,
    maxCount: 1_000,
    maxLinks: 3,
    nowMs,
    ...options,
  });
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return read.value;
}

/** A resource as the store takes it, first version. */
export function stored(definitions: Definitions, resource: Resource, lastUpdatedMs = nowMs): NewResource {
  return {
    type: resource.resourceType,
    id: resource.id ?? "",
    version: 1,
    lastUpdatedMs,
    deleted: false,
    body: JSON.stringify(resource),
    index: extractIndexValues(definitions, resource),
  };
}
