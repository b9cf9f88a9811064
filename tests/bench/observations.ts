import { randomUUID } from "node:crypto";
import type { Observation } from "@medplum/fhirtypes";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";
import type { Service } from "../../src/flows/service.ts";
import type { TenantSession } from "../../src/store/database.ts";

const components: readonly (readonly [code: string, unit: string, from: number, of: number])[] = [
  ["cycles-delivered", "{cycle}", 15, 30],
  ["insufflation-pressure-achieved", "cm[H2O]", 30, 11],
  ["exsufflation-pressure-achieved", "cm[H2O]", -45, 11],
  ["insufflated-volume", "mL", 900, 700],
  ["peak-cough-flow", "L/min", 160, 140],
  ["leak", "L/min", 5, 30],
  ["lowest-spo2", "%", 88, 10],
  ["mean-pulse", "/min", 60, 50],
];

const minuteMs = 60_000;
const firstMs = Date.parse("2024-01-01T07:00:00Z");

/** A session as a hospital's own hub would send it: eight components, in about 2 KB. */
export function observation(n: number, patients: number): Observation {
  const start = firstMs + (n % 700_000) * minuteMs;
  return {
    resourceType: "Observation",
    identifier: [{ system: "https://hub.bench.example/session", value: randomUUID() }],
    status: "final",
    code: {
      coding: [{ system: "https://tidegate.example/fhir/CodeSystem/observation-kind", code: "assisted-cough-session" }],
    },
    subject: { reference: `Patient/p${n % patients}` },
    device: { reference: `Device/d${n % patients}` },
    effectivePeriod: { start: new Date(start).toISOString(), end: new Date(start + 12 * minuteMs).toISOString() },
    component: components.map(([code, unit, from, of], i) => ({
      code: { coding: [{ system: "https://hub.bench.example/measure", code }] },
      valueQuantity: { value: from + ((n * 7 + i * 3) % of), unit, system: "http://unitsofmeasure.org", code: unit },
    })),
  };
}

/** Observations of one patient start this long before each other: the more there are, the longer the history. */
const apartMs = 12 * 3_600_000;

/** Rows of resources and facts as the service would store them, copied by SQL from one example of each patient: when, and under which id, differs. */
export async function fillObservations(
  service: Service,
  session: TenantSession,
  observations: number,
  patients: number,
  from = 0,
): Promise<void> {
  const examples = Array.from({ length: patients }, (_, i) => ({ ...observation(i, patients), id: "filled" }));
  const indexes = examples.map((one) => extractIndexValues(service.definitions, one as Observation));
  const [index] = indexes;
  if (index === undefined) throw new Error("there are no patients");
  await session.query(
    `insert into resource (tenant_id, type, id, version, last_updated, deleted, patient_id, started_at, ended_at, terms,
       quantity_keys, quantity_units, quantity_lows, quantity_highs, quantity_places, place_terms, body)
     select $1::int, 'Observation', 'o' || g, 1, now(), false, 'p' || p, at, at + interval '12 minutes', ($2::text[])[p + 1]::bigint[],
       $3::text::bigint[], $4::text::bigint[], $5::text::float8[], $6::text::float8[], $7::text::smallint[], $8::text::bigint[],
       replace(($9::text[])[p + 1], '"id":"filled"', '"id":"o' || g || '"')
     from generate_series($11::int, $11::int + $10::int - 1) as g,
       lateral (select g % $12::int as p) as whose,
       lateral (select date_trunc('day', now()) - interval '17 hours' - (g / $12::int) * $13::float8 * interval '1 millisecond' as at) as times`,
    [
      session.tenantId,
      indexes.map(({ terms }) => list(terms)),
      list(index.quantities.map((one) => one.key)),
      list(index.quantities.map((one) => one.unit)),
      list(index.quantities.map((one) => one.low)),
      list(index.quantities.map((one) => one.high)),
      list(index.quantities.map((one) => one.place ?? "NULL")),
      list(index.placeTerms),
      examples.map((one) => JSON.stringify(one)),
      observations,
      from,
      patients,
      apartMs,
    ],
  );
  await session.query(
    `insert into therapy_session (tenant_id, patient_id, started_at, ended_at, session_id, device_id, device_start, local_day,
       day_part, read_at, record_digest, test, cycles_delivered, set_insufflation_pressure_cmh2o, set_exsufflation_pressure_cmh2o,
       achieved_insufflation_pressure_cmh2o, peak_cough_flow_l_per_min, lowest_spo2_percent)
     select $1::int, 'p' || p, at, at + interval '12 minutes', 'o' || g, 'd' || p, at::text, at::date,
       case when extract(hour from at) < 12 then 'morning' else 'evening' end, at + interval '1 day', sha256(g::text::bytea),
       false, 20, 40, -40, '{39.2,37,41}', 250, 96
     from generate_series($3::int, $3::int + $2::int - 1) as g, lateral (select g % $4::int as p) as whose,
       lateral (select date_trunc('day', now()) - interval '17 hours' - (g / $4::int) * $5::float8 * interval '1 millisecond' as at) as times`,
    [session.tenantId, observations, from, patients, apartMs],
  );
}

function list(values: readonly (string | number)[]): string {
  return `{${values.join(",")}}`;
}
