import type { Condition } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { chestInfectionCondition, infectionFact } from "../../src/fhir/infection.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

const definitions = createDefinitions({ types: ["Condition"] });
const zone = "Europe/London";
const lasting = chestInfectionCondition({ id: "c", patientId: "p", onset: "2026-02-01" });

function days(changes: Partial<Condition>): unknown {
  const [fact] = infectionFact({ ...lasting, ...changes }, zone);
  return fact?.kind === "infection" ? [fact.infection.firstDay, fact.infection.endDay] : undefined;
}

test("a chest infection is a valid Condition, active until it abates", () => {
  expect(checkResource(definitions, lasting, "Condition")).toEqual([]);
  expect(lasting.clinicalStatus?.coding?.[0]?.code).toBe("active");
  const over = chestInfectionCondition({ id: "c", patientId: "p", onset: "2026-02-01", abatement: "2026-02-10" });
  expect(checkResource(definitions, over, "Condition")).toEqual([]);
  expect(over.clinicalStatus?.coding?.[0]?.code).toBe("resolved");
});

describe("its days", () => {
  test("run from the onset on while it lasts", () => {
    expect(infectionFact(lasting, zone)).toEqual([
      { kind: "infection", patientId: "p", infection: { conditionId: "c", firstDay: "2026-02-01" } },
    ]);
  });

  // A date that ends a period is its last day (https://hl7.org/fhir/R4/datatypes.html#Period).
  test("end after an abatement that is a date, and on the day of one that is a time", () => {
    expect(days({ abatementDateTime: "2026-02-10" })).toEqual(["2026-02-01", "2026-02-11"]);
    expect(days({ abatementDateTime: "2026-02-10T09:00:00Z" })).toEqual(["2026-02-01", "2026-02-10"]);
  });

  test("are local: an onset at half past eleven at night in UTC is the next day in Kathmandu", () => {
    const [fact] = infectionFact({ ...lasting, onsetDateTime: "2026-02-01T23:30:00Z" }, "Asia/Kathmandu");
    expect(fact).toMatchObject({ infection: { firstDay: "2026-02-02" } });
  });

  test("begin on the day it was recorded where no onset is stated", () => {
    const { onsetDateTime: _, ...withoutOnset } = lasting;
    const [fact] = infectionFact({ ...withoutOnset, recordedDate: "2026-02-03" }, zone);
    expect(fact).toMatchObject({ infection: { firstDay: "2026-02-03" } });
  });

  test("of one that is over without saying when end on the day that was recorded", () => {
    const clinicalStatus = {
      coding: [{ system: "http://terminology.hl7.org/CodeSystem/condition-clinical", code: "resolved" }],
    };
    expect(days({ clinicalStatus, meta: { lastUpdated: "2026-02-20T10:00:00Z" } })).toEqual([
      "2026-02-01",
      "2026-02-20",
    ]);
    // Recorded as over before the day it is said to have begun on: it lasted no day.
    expect(days({ clinicalStatus, meta: { lastUpdated: "2026-01-20T10:00:00Z" } })).toEqual([
      "2026-02-01",
      "2026-02-01",
    ]);
  });
});

describe("a Condition", () => {
  test("under the outside concept for an infection of the lower airways is one", () => {
    expect(days({ code: { coding: [{ system: "http://snomed.info/sct", code: "50417007" }] } })).toBeDefined();
  });

  test.each<[string, Partial<Condition>]>([
    ["in words alone", { code: { text: "Chest infection" } }],
    ["of something else", { code: { coding: [{ system: "http://snomed.info/sct", code: "37340000" }] } }],
    [
      "that was refuted",
      {
        verificationStatus: {
          coding: [{ system: "http://terminology.hl7.org/CodeSystem/condition-ver-status", code: "refuted" }],
        },
      },
    ],
    ["of nobody here", { subject: { display: "somebody" } }],
  ])("%s states none", (_what, changes) => {
    expect(infectionFact({ ...lasting, ...changes }, zone)).toEqual([]);
  });
});
