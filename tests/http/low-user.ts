import { reviewPatient } from "../../src/flows/review-patient.ts";
import { personWithCircuit, upload, useRecord } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";

/**
 * It is 10 June: Anna's use fell to one morning in four, and her circuit of 1 May was to last a month. She was reviewed on
 * 20 May, before her device was read, and today.
 */
export async function lowUser(): Promise<TestApp> {
  const here = await testApp("2026-06-10T12:00:00Z");
  here.clock.at = Date.parse("2026-05-20T12:00:00Z");
  await personWithCircuit(here, "anna", "2026-05-01");
  await reviewPatient(here.service, here.tenantId, "anna");
  here.clock.at = Date.parse("2026-06-10T12:00:00Z");
  await upload(
    here,
    useRecord(here, "anna", ["08:00"], (day) => day % 4 === 0),
  );
  await reviewPatient(here.service, here.tenantId, "anna");
  return here;
}

/** Asks a dashboard door, as a client of the tenant unless another token is given. */
export async function getJson<T>(
  here: TestApp,
  path: string,
  token = here.token,
): Promise<{ readonly status: number; readonly body: T }> {
  const answer = await here.app.inject({
    method: "GET",
    url: `/api/v1${path}`,
    headers: { authorization: `Bearer ${token}` },
  });
  return { status: answer.statusCode, body: answer.json() as T };
}
