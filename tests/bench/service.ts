import { randomUUID } from "node:crypto";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { defaultLimits, type Service } from "../../src/flows/service.ts";
import type { Database } from "../../src/store/database.ts";

/** The service as it stands behind the doors, without log lines. */
export function benchService(database: Database): Service {
  const silent = () => undefined;
  return {
    database,
    definitions: createDefinitions({ types: "default" }),
    limits: defaultLimits,
    referencePolicy: "check",
    thresholds: defaultThresholds,
    defaultZone: "Europe/London",
    now: () => Date.now(),
    newId: () => randomUUID(),
    log: { info: silent, warn: silent, error: silent },
  };
}
