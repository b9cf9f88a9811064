import { readConfig } from "./config.ts";
import { definitionsOf, openConfigured, serviceOn } from "./configured-service.ts";
import { logCrashes, logOf } from "./log.ts";
import { say } from "./say.ts";

/**
 * Starts the service. The database is set on its way first, and the code behind the doors – two thirds of all of it – is
 * read while PostgreSQL starts or the connection is made; what nobody waits for comes after the service listens.
 */
export async function serve(): Promise<void> {
  const config = readConfig();
  const log = logOf(config);
  logCrashes(log);
  const definitions = definitionsOf(config);
  say("Starting PostgreSQL and bringing it to the current schema …");
  let reading: Promise<typeof import("./open-doors.ts")> | undefined;
  const store = await openConfigured(config, log, () => {
    reading = import("./open-doors.ts");
  });
  const { openDoors } = await (reading ?? import("./open-doors.ts"));
  await openDoors(serviceOn(store.database, definitions, config, log), { config, log, store });
}
