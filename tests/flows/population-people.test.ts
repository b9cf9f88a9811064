import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { periodOf } from "../../src/domain/population/period.ts";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { machineResource, partResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { populationFigures } from "../../src/flows/population.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { uploadSessions } from "../support/half-user.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { changeTask, tasksOf } from "./person-with-circuit.ts";

// Five invented people of 2026. North and South are wards of one hospital.
let here: TestService;

function at(iso: string): void {
  here.clock.at = Date.parse(iso);
}

async function person(
  id: string,
  from: {
    organizationId?: string;
    start: string;
    end?: string;
    deceased?: string;
    interface?: string;
    birthDate?: string;
  },
): Promise<void> {
  const { plan, requests } = planResources({
    id: `plan-${id}`,
    patientId: id,
    status: from.end === undefined ? "active" : "completed",
    start: from.start,
    ...(from.end === undefined ? {} : { end: from.end }),
    profiles: [
      {
        profileId: `profile-${id}`,
        role: "usual",
        schedule: { kind: "day-parts", parts: ["morning", "evening"] },
        ...(from.interface === undefined ? {} : { interface: from.interface }),
      },
    ],
  });
  await put(
    here,
    patientResource({
      id,
      family: id,
      given: "Given",
      ...(from.organizationId === undefined ? {} : { organizationId: from.organizationId }),
      ...(from.deceased === undefined ? {} : { deceasedDateTime: from.deceased }),
      ...(from.birthDate === undefined ? {} : { birthDate: from.birthDate }),
    }),
    machineResource({ id: `m-${id}`, serialNumber: `s-${id}` }),
    deviceUseStatement({
      id: `mu-${id}`,
      deviceId: `m-${id}`,
      patientId: id,
      start: from.start,
      ...(from.end === undefined ? {} : { end: from.end }),
    }),
    ...requests,
    plan,
  );
}

function organization(id: string, partOf?: string) {
  const above = partOf === undefined ? {} : { partOf: { reference: `Organization/${partOf}` } };
  return { resourceType: "Organization", id, name: id, ...above };
}

beforeAll(async () => {
  here = await testService("2026-03-01T09:00:00Z");
  await put(here, organization("hospital"), organization("north", "hospital"), organization("south", "hospital"));
  // Moved from North to South in April, and used the machine first in April.
  await person("mover", {
    organizationId: "north",
    start: "2026-03-20",
    interface: "mask-nasal",
    birthDate: "2008-05-01",
  });
  at("2026-04-10T09:00:00Z");
  await put(
    here,
    patientResource({ id: "mover", family: "mover", given: "Given", birthDate: "2008-05-01", organizationId: "south" }),
  );
  await uploadSessions(here, "mover", ["2026-04-02T08:00:00Z", "2026-04-03T08:00:00Z"]);
  await person("died", { organizationId: "north", start: "2026-01-01", deceased: "2026-05-12" });
  await person("short", { organizationId: "hospital", start: "2026-05-04", end: "2026-05-20" });
  // Flagged in May and acted upon three days later; the circuit is overdue from July on.
  await person("flagged", { organizationId: "south", start: "2026-02-01", interface: "tracheostomy-adapter" });
  at("2026-05-10T10:00:00Z");
  await put(
    here,
    partResource({ id: "c-flagged", kind: "circuit", machineId: "m-flagged" }),
    deviceUseStatement({ id: "cu-flagged", deviceId: "c-flagged", patientId: "flagged", start: "2026-06-10" }),
    contraindicationFlag({ id: "f-flagged", patientId: "flagged", code: "haemoptysis", start: "2026-05-10T10:00:00Z" }),
  );
  await reviewPatient(here.service, here.tenantId, "flagged");
  at("2026-05-13T10:00:00Z");
  const task = (await tasksOf(here, "flagged")).find((one) => one.code?.coding?.[0]?.code === "plan-needs-hold");
  if (task === undefined) throw new Error("no Task was raised");
  await changeTask(here, task, { status: "accepted" });
  await person("nowhere", { start: "2026-06-01" });
  // The machine of the one who moved was given back in July; a device fault is not an end of therapy.
  await put(
    here,
    deviceUseStatement({
      id: "mu-mover",
      deviceId: "m-mover",
      patientId: "mover",
      start: "2026-03-20",
      end: "2026-07-10",
    }),
  );
  at("2026-08-01T12:00:00Z");
});

afterAll(() => here.close());

/** Persons of a figure by place, those that are not 0, and the median of everybody. */
async function figure(period: string, code: string) {
  const grid = periodOf(period);
  if (grid === undefined) throw new Error(`${period} is no period`);
  const found = await populationFigures(here.service, here.tenantId, grid, () => undefined);
  const table = found.tables.find((one) => one.figure === code && one.dimensions.length === 1);
  const cells = table?.cells.filter(({ persons }) => persons > 0).map(({ at: { place }, persons }) => [place, persons]);
  return {
    places: Object.fromEntries(cells ?? []),
    median: table?.statistics?.find((one) => one.at.place === "all")?.median,
  };
}

describe("where and when people count", () => {
  test("somebody who has moved counts once, where they are now, whichever the period", async () => {
    expect((await figure("2026-03", "new-starts")).places).toEqual({
      all: 1,
      "Organization/hospital": 1,
      "Organization/south": 1,
    });
  });

  test("somebody of an organisation that has parts, or of none, has a place among the parts all the same", async () => {
    expect((await figure("2026-Q2", "new-starts")).places).toEqual({
      all: 2,
      "Organization/hospital": 1,
      "Organization/hospital/itself": 1,
      unknown: 1,
    });
  });

  test("who died on 12 May was on therapy in May, stopped then, and is not counted in June", async () => {
    expect((await figure("2026-05", "stops")).places).toMatchObject({ all: 2, "Organization/north": 1 });
    expect((await figure("2026-05", "people-on-therapy")).places).toMatchObject({ "Organization/north": 1 });
    expect((await figure("2026-06", "people-on-therapy")).places).not.toHaveProperty("Organization/north");
    expect((await figure("2026-05", "devices-in-use")).places).not.toHaveProperty("Organization/north");
  });

  test("who started and stopped within May counts as both, in May and in its quarter, and in no other month", async () => {
    for (const period of ["2026-05", "2026-Q2", "2026"]) {
      for (const code of ["new-starts", "stops", "people-on-therapy"]) {
        expect([period, code, (await figure(period, code)).places]).toEqual([
          period,
          code,
          expect.objectContaining({ "Organization/hospital/itself": 1 }),
        ]);
      }
    }
    for (const period of ["2026-04", "2026-06"]) {
      expect((await figure(period, "people-on-therapy")).places).not.toHaveProperty("Organization/hospital/itself");
    }
  });
});

describe("states are those of the moment the period ended", () => {
  test("a device that has been given back since was in use then", async () => {
    expect((await figure("2026-05", "devices-in-use")).places).toEqual({
      all: 2,
      "Organization/hospital": 2,
      "Organization/south": 2,
    });
    expect((await figure("2026-07", "devices-in-use")).places).toMatchObject({ "Organization/south": 1 });
    expect((await figure("2026-07", "people-on-therapy")).places).toMatchObject({ "Organization/south": 2 });
  });

  test("a flag that still stands was found then, and not before it was raised", async () => {
    expect((await figure("2026-04", "open-safety-findings")).places).toEqual({});
    expect((await figure("2026-05", "open-safety-findings")).places).toMatchObject({ all: 1, "Organization/south": 1 });
  });

  test("a part that was fitted in June became overdue in July", async () => {
    expect((await figure("2026-06", "parts-overdue")).places).toEqual({
      all: 1,
      "Organization/hospital": 1,
      "Organization/south": 1,
    });
    expect((await figure("2026-05", "parts-overdue")).places).toEqual({});
  });
});

describe("times from one thing to the next", () => {
  test("a device issued on 20 March was used first on 2 April, thirteen days later, and that counts in April", async () => {
    expect(await figure("2026-04", "issue-to-first-use.median")).toMatchObject({ places: { all: 1 }, median: 13 });
    expect((await figure("2026-03", "issue-to-first-use.median")).places).toEqual({});
    expect((await figure("2026-03", "issue-to-first-use.median")).median).toBeUndefined();
  });

  test("a Task raised on 10 May was taken in hand on 13 May", async () => {
    expect(await figure("2026-05", "finding-to-action.median")).toMatchObject({ places: { all: 1 }, median: 3 });
    expect((await figure("2026-06", "finding-to-action.median")).places).toEqual({});
  });
});

test("age is that of the first day of the period, the interface that of the plan", async () => {
  const of = async (period: string, side: string) => {
    const grid = periodOf(period);
    if (grid === undefined) throw new Error(`${period} is no period`);
    const found = await populationFigures(here.service, here.tenantId, grid, () => undefined);
    const table = found.tables.find((one) => one.figure === "people-on-therapy" && one.dimensions[1]?.name === side);
    const cells = table?.cells.filter(({ at: { place }, persons }) => place === "Organization/south" && persons > 0);
    return Object.fromEntries(cells?.map(({ at, persons }) => [at[side], persons]) ?? []);
  };
  // Born on 1 May 2008: eighteen on the first day of May.
  expect(await of("2026-04", "age")).toEqual({ all: 2, "12-17": 1, unknown: 1 });
  expect(await of("2026-05", "age")).toEqual({ all: 2, "18-39": 1, unknown: 1 });
  expect(await of("2026-05", "interface")).toEqual({ all: 2, mask: 1, tracheostomy: 1 });
  expect(await of("2026-05", "diagnosis")).toEqual({ all: 2, unknown: 2 });
});
