import type { DeviceUse } from "../domain/device.ts";
import type { TenantSession } from "./database.ts";

/** Devices that the person had or has, by the facts of today and by what `Device.patient` says; sorted. */
export async function devicesOf(session: TenantSession, patientId: string): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select device_id as id from device_use where tenant_id = $1 and patient_id = $2
     union select device_id from therapy_session where tenant_id = $1 and patient_id = $2
     union select device_id from device_alert where tenant_id = $1 and patient_id = $2
     union select id from resource where tenant_id = $1 and patient_id = $2 and type = 'Device'
     order by 1`,
    [session.tenantId, patientId],
  );
  return rows.map(({ id }) => id);
}

/** Parts that belong to these devices. */
export async function partsOf(session: TenantSession, deviceIds: readonly string[]): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    "select device_id as id from device where tenant_id = $1 and parent_id = any($2::text[]) order by 1",
    [session.tenantId, deviceIds],
  );
  return rows.map(({ id }) => id);
}

/** Who had these devices, and when: of everybody. */
export async function usesOf(session: TenantSession, deviceIds: readonly string[]): Promise<DeviceUse[]> {
  const rows = await session.query<DeviceUse & { endMs: number | null }>(
    `select use_id as "useId", device_id as "deviceId", patient_id as "patientId", started_at as "startMs", ended_at as "endMs"
     from device_use where tenant_id = $1 and device_id = any($2::text[])`,
    [session.tenantId, deviceIds],
  );
  return rows.map(({ endMs, ...use }) => ({ ...use, ...(endMs === null ? {} : { endMs }) }));
}

/** `system|value` of these devices' identifiers. */
export async function identifiersOf(session: TenantSession, deviceIds: readonly string[]): Promise<string[]> {
  const rows = await session.query<{ identifier: string }>(
    "select distinct identifier from device_identifier where tenant_id = $1 and device_id = any($2::text[]) order by 1",
    [session.tenantId, deviceIds],
  );
  return rows.map(({ identifier }) => identifier);
}

/** `Task/id` of findings about devices' unmatched records, which concern no patient. */
export async function tasksAboutDevices(session: TenantSession, identifiers: readonly string[]): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select task_id as id from finding_task where tenant_id = $1 and patient_id = ''
       and subject = any(select 'device:' || i from unnest($2::text[]) as i) order by 1`,
    [session.tenantId, identifiers],
  );
  return rows.map(({ id }) => `Task/${id}`);
}

/** Those of these devices that are here, deleted ones left out. */
export async function devicesHere(session: TenantSession, deviceIds: readonly string[]): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    "select id from resource where tenant_id = $1 and type = 'Device' and id = any($2::text[]) and not deleted order by id",
    [session.tenantId, deviceIds],
  );
  return rows.map(({ id }) => id);
}
