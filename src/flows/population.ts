import type { Period, PopulationFigures } from "../domain/population/figures.ts";
import { personPeriod } from "../domain/population/person-period.ts";
import { placeTree } from "../domain/population/place.ts";
import { accumulate, emptyTally, figuresOf } from "../domain/population/tally.ts";
import { effectiveThresholds } from "../domain/threshold-setting.ts";
import { readSnapshotInTenant } from "../store/database.ts";
import { countPeople, organizationsWithPeople, readOrganizationPlaces } from "../store/population.ts";
import { readThresholdSettings } from "../store/threshold-setting.ts";
import { peopleInBatches } from "./population-people.ts";
import type { Service } from "./service.ts";

/** How far the computation is, in people. */
export interface PopulationProgress {
  readonly done: number;
  readonly total: number;
}

/** People worked on before others get a turn: some milliseconds' worth. */
const peopleInOneGo = 10;

/**
 * The true figures of a tenant over a period, before any disclosure control: of everybody whose record is in use, from one
 * snapshot of the database, by the functions that make the individual reports. What is kept meanwhile is one batch of
 * people and the tally, however many there are. For a period that is not over yet the figures are those so far.
 */
export async function populationFigures(
  service: Service,
  tenantId: number,
  period: Period,
  onProgress: (progress: PopulationProgress) => void,
): Promise<PopulationFigures> {
  const nowMs = service.now();
  // Whoever asks, what they may not read of single people counts all the same: a figure of a part would be a false one.
  const { confinement: _, ...database } = service.database;
  return readSnapshotInTenant(database, tenantId, async (session) => {
    const withPeople = new Set(await organizationsWithPeople(session));
    const places = placeTree(await readOrganizationPlaces(session), withPeople);
    const { version } = effectiveThresholds(service.thresholds, await readThresholdSettings(session));
    const total = await countPeople(session);
    const tally = emptyTally();
    let done = 0;
    for await (const people of peopleInBatches(service, session, period, nowMs)) {
      for (const person of people) {
        accumulate(tally, personPeriod(person, period), places);
        done += 1;
        if (done % peopleInOneGo === 0) await othersTurn();
      }
      onProgress({ done, total });
    }
    return figuresOf(tally, period, places, version);
  });
}

function othersTurn(): Promise<void> {
  return new Promise((resolve) => setImmediate(resolve));
}
