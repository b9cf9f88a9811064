/**
 * An invented region written straight into the tables of facts, set by set: what thousands of uploads and writes would
 * have left there. Everything follows from the seed and a person's number.
 */
import { Client } from "pg";

/** What to make of it. */
export interface Region {
  readonly tenantId: number;
  readonly people: number;
  readonly sites: number;
  /** Sessions and coverage lie on the days `[firstDay, endDay)`. */
  readonly firstDay: string;
  readonly endDay: string;
  readonly seed: string;
}

// A number from 0 to under 1 that looks random and is the same in every run; `salt` tells one use from another.
const chance = (salt: string, who = "i") =>
  `((hashtext(seed || '${salt}' || ${who})::bigint + 2147483648) / 4294967296.0)`;

// A person's share of sessions done: a third do nearly all, some hardly any, and a few machines stay in the cupboard.
const person = `select i, 'p' || lpad(i::text, 7, '0') as id, seed, tenant, first_day, end_day, days,
    first_day - 300 + floor(${chance("start")} * (days + 250))::int as start_day,
    case when ${chance("cupboard")} < 0.1 then 0 else power(${chance("keen")}, 0.4) end as keenness,
    case when ${chance("end")} < 0.15 then first_day + floor(${chance("ended")} * days)::int end as stop_day,
    case when ${chance("dead")} < 0.06 then first_day + floor(${chance("died")} * days)::int end as death_day,
    (array['mask-oronasal', 'mask-nasal', 'mouthpiece', 'tracheostomy-adapter', null])[1 + floor(${chance("interface")} * 5)::int] as interface,
    case when ${chance("zone")} < 0.08 then 'America/New_York' else 'Europe/London' end as zone,
    case when ${chance("lost")} > 0.02 then 'site-' || (1 + floor(power(${chance("site")}, 2) * sites)::int) end as site
  from generate_series($4::int, $5::int) as i,
    (select $1::int as tenant, $2::text as seed, $3::int as sites, $6::date as first_day, $7::date as end_day, $7::date - $6::date as days) as region`;

const statements = [
  `insert into patient (tenant_id, patient_id, zone, sort_name, active, birth_day, deceased_day, organization_id)
   select tenant, id, zone, 'Family ' || i, ${chance("active")} > 0.01,
     case when ${chance("born")} > 0.03 then first_day - floor(power(${chance("age")}, 1.2) * 32000)::int end, death_day, site from person`,
  `insert into device (tenant_id, device_id, kind, parent_id, identifiers, active)
   select tenant, 'm-' || id, 'machine', null, '{}'::text[], true from person
   union all select tenant, 'c-' || id, 'circuit', 'm-' || id, '{}'::text[], true from person`,
  `insert into device_use (tenant_id, use_id, device_id, patient_id, started_at, ended_at, on_hold)
   select tenant, 'mu-' || id, 'm-' || id, id, (start_day + time '10:00') at time zone zone,
     (stop_day + 3 + time '10:00') at time zone zone, false from person where stop_day is null or stop_day > start_day
   union all
   select tenant, 'cu-' || id, 'c-' || id, id,
     (greatest(start_day, first_day + floor(${chance("fitted")} * days)::int) + time '10:00') at time zone zone, null, false from person`,
  `insert into patient_fact (tenant_id, patient_id, kind, source_id, fact)
   select tenant, id, 'plan', 'plan-' || id, jsonb_strip_nulls(jsonb_build_object('planId', 'plan-' || id, 'patientId', id,
     'status', case when stop_day is null then 'active' else 'completed' end, 'firstDay', start_day, 'endDay', stop_day,
     'holds', '[]'::jsonb, 'profileIds', jsonb_build_array('profile-' || id))) from person
   union all
   select tenant, id, 'profile', 'profile-' || id, jsonb_strip_nulls(jsonb_build_object('profileId', 'profile-' || id, 'role', 'usual',
     'schedule', '{"kind":"day-parts","parts":["morning","evening"]}'::jsonb, 'insufflationPressureCmH2O', 40,
     'exsufflationPressureCmH2O', -40, 'cyclesPerSet', 5, 'setsPerSession', 4, 'interface', interface)) from person
   union all
   select tenant, id, 'contraindication', 'flag-' || id, jsonb_build_object('flagId', 'flag-' || id, 'code', 'haemoptysis',
     'title', 'Haemoptysis', 'class', 'absolute', 'active', true,
     'startMs', (extract(epoch from first_day + floor(${chance("flagged")} * days)::int) * 1000)::bigint)
     from person where ${chance("flag")} < 0.05
   union all
   select tenant, id, 'absence', 'stay-' || id, jsonb_build_object('sourceId', 'stay-' || id, 'kind', 'hospital',
     'firstDay', first_day + floor(${chance("admitted")} * days)::int, 'endDay', first_day + floor(${chance("admitted")} * days)::int + 9)
     from person where ${chance("stay")} < 0.1`,
  // The memory is read at the end of each month, or not at all.
  `insert into coverage (tenant_id, upload_id, device_id, started_at, ended_at)
   select tenant, 'up-' || id || '-' || to_char(month, 'YYYYMM'), 'm-' || id, month at time zone zone,
     (month + interval '1 month') at time zone zone
   from person, generate_series(date_trunc('month', first_day::timestamp), end_day::timestamp - interval '1 day', '1 month') as month
   where ${chance("read", "i || '-' || month")} > 0.12`,
  `insert into therapy_session (tenant_id, patient_id, started_at, ended_at, session_id, device_id, device_start, local_day,
     day_part, read_at, record_digest, test, cycles_delivered, set_insufflation_pressure_cmh2o, set_exsufflation_pressure_cmh2o,
     achieved_insufflation_pressure_cmh2o, peak_cough_flow_l_per_min, lowest_spo2_percent)
   select tenant, id, at, at + interval '12 minutes', 's-' || id || '-' || to_char(day, 'YYMMDD') || part.name, 'm-' || id,
     to_char(day, 'YYYY-MM-DD') || 'T' || part.clock, day, part.name, at + interval '1 day', sha256(('' || i || day || part.name)::bytea),
     false, case when ${chance("cycles", "i || '-' || day || part.name")} < 0.9 then 20 else 12 end,
     case when ${chance("set", "i || '-' || day || part.name")} < 0.93 then 40 else 30 end, -40, '{39.2,37,41}', 250, 96
   from person, generate_series(greatest(start_day + 1, first_day), least(coalesce(stop_day, end_day), coalesce(death_day, end_day), end_day) - 1, '1 day') as d(at_day),
     lateral (select at_day::date as day) as on_day, (values ('morning', '08:00:00'), ('evening', '19:00:00')) as part(name, clock),
     lateral (select (day + part.clock::time) at time zone zone as at) as times
   where ${chance("done", "i || '-' || day || part.name")} < keenness`,
];

/** Writes the region, five thousand people at a time; the connection must be that of the owner of the database. */
export async function writeRegion(connectionString: string, region: Region): Promise<void> {
  const owner = new Client({ connectionString });
  await owner.connect();
  try {
    const { tenantId, people, sites, firstDay, endDay, seed } = region;
    await owner.query(`set tidegate.tenant = '${tenantId}'`);
    for (let from = 1; from <= people; from += 5_000) {
      const to = Math.min(people, from + 4_999);
      for (const statement of statements) {
        await owner.query(`with person as (${person}) ${statement}`, [
          tenantId,
          seed,
          sites,
          from,
          to,
          firstDay,
          endDay,
        ]);
      }
    }
    await owner.query("analyze");
  } finally {
    await owner.end();
  }
}

/** Organisations of the region as resources: a region, services of up to five sites each, sites. */
export function regionOrganizations(sites: number): { resourceType: "Organization"; id: string }[] {
  const organization = (id: string, partOf?: string) => ({
    resourceType: "Organization" as const,
    id,
    name: id,
    ...(partOf === undefined ? {} : { partOf: { reference: `Organization/${partOf}` } }),
  });
  const services = Array.from({ length: Math.ceil(sites / 5) }, (_, index) => `service-${index + 1}`);
  return [
    organization("region"),
    ...services.map((id) => organization(id, "region")),
    ...Array.from({ length: sites }, (_, index) =>
      organization(`site-${index + 1}`, services[Math.floor(index / 5)] ?? "region"),
    ),
  ];
}
