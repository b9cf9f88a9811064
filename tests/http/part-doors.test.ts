import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import type { TestApp } from "../support/app.ts";
import { put } from "../support/service.ts";
import { getJson, lowUser } from "./low-user.ts";

let here: TestApp;

beforeAll(async () => {
  here = await lowUser();
});

afterAll(() => here.close());

const get = <T>(path: string, token?: string) => getJson<T>(here, path, token);

describe("parts", () => {
  interface Parts {
    parts: { partId: string; state: string; why?: string; source?: string; daysOverdue: number }[];
    needs: { within30Days: { kind: string; day: string; overdue: boolean }[]; within90Days: unknown[] };
  }
  interface Forecast {
    kinds: { kind: string; count: number; overdue: number; patients: number }[];
    patients: { patientId: string; needs: unknown[] }[];
    next?: string;
  }

  test("of one person come with their state, why, and what is needed next", async () => {
    const { body } = await get<Parts>("/patients/anna/parts");
    expect(body.parts).toMatchObject([{ partId: "c-anna", state: "overdue", daysOverdue: 9 }]);
    expect(body.parts[0]?.why).toBe("was to be replaced by 1 June 2026, 1 month after fitting.");
    expect(body.parts[0]?.source).toMatch(/no published source/);
    expect(body.needs.within30Days).toEqual([{ kind: "circuit", day: "2026-06-10", overdue: true }]);
    expect(body.needs.within90Days).toHaveLength(3);
  });

  test("of the service are foreseen by kind and by patient", async () => {
    const month = await get<Forecast>("/parts/forecast");
    expect(month.body.kinds).toEqual([{ kind: "circuit", count: 1, overdue: 1, patients: 1 }]);
    const quarter = await get<Forecast>("/parts/forecast?days=90");
    expect(quarter.body.kinds).toEqual([{ kind: "circuit", count: 3, overdue: 1, patients: 1 }]);
    expect(quarter.body.patients.map(({ patientId, needs }) => [patientId, needs.length])).toEqual([["anna", 3]]);
    expect((await get<Forecast>("/parts/forecast?organization=elsewhere")).body.kinds).toEqual([]);
    expect((await get<Forecast>("/parts/forecast", here.strangersToken)).body.kinds).toEqual([]);
  });

  // RFC 4180; CSV injection: https://owasp.org/www-community/attacks/CSV_Injection
  test("come as a table that no spreadsheet takes for a formula", async () => {
    await put(here, {
      resourceType: "Patient",
      id: "anna",
      active: true,
      name: [{ family: '=HYPERLINK("x")' }],
    } as never);
    await reviewPatient(here.service, here.tenantId, "anna");
    const answer = await here.app.inject({
      method: "GET",
      url: "/api/v1/parts/forecast?format=csv",
      headers: { authorization: `Bearer ${here.token}` },
    });
    expect([answer.statusCode, answer.headers["content-type"], answer.headers["content-disposition"]]).toEqual([
      200,
      "text/csv; charset=utf-8",
      'attachment; filename="parts-30-days.csv"',
    ]);
    expect(answer.body).toBe(
      '"patient","name","part","needed by","overdue"\r\n"anna","\'=HYPERLINK(""x"")","circuit","2026-06-10","true"\r\n',
    );
    const byHeader = await here.app.inject({
      method: "GET",
      url: "/api/v1/parts/forecast",
      headers: { authorization: `Bearer ${here.token}`, accept: "text/csv" },
    });
    expect(byHeader.body).toBe(answer.body);
  });

  test.each<[string, number]>([
    ["/patients/nobody/parts", 404],
    ["/parts/forecast?days=45", 400],
    ["/parts/forecast?count=0", 400],
    ["/parts/forecast?cursor=forged", 400],
  ])("%s is refused with %i", async (path, status) => {
    expect((await get(path)).status).toBe(status);
  });
});
