import type { DeviceUse } from "../domain/device.ts";
import type { TenantSession } from "./database.ts";

/** The device that carries this `system|value` identifier, with everyone who has had it; undefined when unknown. */
export async function findDevice(
  session: TenantSession,
  identifier: string,
): Promise<{ deviceId: string; uses: DeviceUse[] } | undefined> {
  const rows = await session.query<{
    device_id: string;
    use_id: string | null;
    patient_id: string;
    started_at: number;
    ended_at: number | null;
    on_hold: boolean;
  }>(
    `select i.device_id, u.use_id, u.patient_id, u.started_at, u.ended_at, u.on_hold
     from device_identifier i left join device_use u on u.tenant_id = i.tenant_id and u.device_id = i.device_id
     where i.tenant_id = $1 and i.identifier = $2 order by i.device_id, u.started_at, u.use_id`,
    [session.tenantId, identifier],
  );
  const deviceId = rows[0]?.device_id;
  if (deviceId === undefined) return undefined;
  const uses = rows.flatMap((row) =>
    row.use_id === null || row.device_id !== deviceId
      ? []
      : [
          {
            useId: row.use_id,
            deviceId,
            patientId: row.patient_id,
            startMs: row.started_at,
            ...(row.ended_at === null ? {} : { endMs: row.ended_at }),
            onHold: row.on_hold,
          },
        ],
  );
  return { deviceId, uses };
}
