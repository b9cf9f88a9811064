import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { ownProfileResources } from "../../src/fhir/profiles/conformance.ts";
import { defaultLimits, type Service } from "../../src/flows/service.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { type Database, openDatabase } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "./database.ts";

/** A service on a database of its own whose clock stands still until `at` is moved. */
export interface TestService {
  readonly service: Service;
  readonly database: Database;
  readonly connectionString: string;
  readonly tenantId: number;
  readonly clock: { at: number };
  close(): Promise<void>;
}

/** Opens a fresh database with one tenant and a service whose ids count upwards. */
export async function testService(
  nowIso: string,
  options: { referencePolicy?: "check" | "accept"; ownBase?: string; types?: readonly string[] } = {},
): Promise<TestService> {
  const { connectionString, drop } = await testDatabase();
  const database = openDatabase(connectionString);
  const { tenantId } = await ensureTenant(database, "test");
  const clock = { at: Date.parse(nowIso) };
  const service = { ...serviceOf(database, options), now: () => clock.at };
  return {
    service,
    database,
    connectionString,
    tenantId,
    clock,
    close: async () => {
      await database.close();
      await drop();
    },
  };
}

/** A service on an open database whose ids count upwards and that writes no log. */
export function serviceOf(database: Database, options: Parameters<typeof testService>[1] = {}): Service {
  let ids = 0;
  const silent = () => undefined;
  return {
    database,
    definitions: createDefinitions({
      types: options.types ?? "default",
      profiles: ownProfileResources,
      ...(options.ownBase === undefined ? {} : { ownBase: options.ownBase }),
    }),
    limits: defaultLimits,
    referencePolicy: options.referencePolicy ?? "check",
    thresholds: defaultThresholds,
    defaultZone: "Europe/London",
    now: () => Date.now(),
    newId: () => {
      ids += 1;
      return `new-${ids}`;
    },
    log: { info: silent, warn: silent, error: silent },
  };
}

/** Puts resources through the same flow as the FHIR door and expects each to be taken. */
export async function put(
  test: Pick<TestService, "service" | "tenantId">,
  ...resources: { resourceType: string; id: string }[]
): Promise<void> {
  for (const resource of resources) {
    const target = { type: resource.resourceType, id: resource.id };
    const written = await updateResource(test.service, test.tenantId, target, JSON.stringify(resource));
    if (!written.ok) throw new Error(JSON.stringify(written.refusals));
  }
}
