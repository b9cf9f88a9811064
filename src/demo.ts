import { loadDemo } from "../seed/load.ts";
import { localDayOf } from "./domain/local-day.ts";
import type { Service } from "./flows/service.ts";
import { say } from "./say.ts";
import { ensureTenant } from "./store/tenant.ts";

const demoTenant = "demo";

/** Plays the demo scenario, or what of it is not there yet; answers the tenant it is played in. */
export async function playDemo(service: Service): Promise<number> {
  const { tenantId } = await ensureTenant(service.database, demoTenant);
  const today = localDayOf(service.now(), service.defaultZone);
  await loadDemo(service, tenantId, { today, onProgress: (text) => say(`  ${text}`) });
  return tenantId;
}
