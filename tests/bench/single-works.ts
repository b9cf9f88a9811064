import { migrate } from "../../src/store/migrate.ts";
import { measureAccess } from "./access.ts";
import { measureExport } from "./export.ts";
import { measureExtraction } from "./extraction.ts";
import { measureMessages } from "./messages.ts";
import { measureMonths } from "./months.ts";
import { measurePartitions } from "./partitions.ts";
import { measurePopulation } from "./population.ts";
import { measureProcesses } from "./processes.ts";
import { measureRebuild } from "./rebuild.ts";
import { measureSearchPlans } from "./search-plans.ts";
import { measureStartUp } from "./start-up.ts";
import { measureValidation } from "./validation.ts";

/** How much of one work. */
interface Asked {
  readonly people: number;
  readonly rows: number;
  readonly months: 1 | 12;
}

const onMigrated =
  (work: (url: string, asked: Asked) => Promise<unknown>) =>
  async (url: string, asked: Asked): Promise<unknown> => {
    await migrate(url);
    return work(url, asked);
  };

/** What can be measured alone, on an empty database. */
export const singleWorks: Readonly<Record<string, (url: string, asked: Asked) => Promise<unknown>>> = {
  access: onMigrated(measureAccess),
  plans: onMigrated((url, { rows }) => measureSearchPlans(url, rows)),
  population: onMigrated((url, { people, months }) => measurePopulation(url, people, months)),
  export: onMigrated((url, { rows }) => measureExport(url, rows)),
  messages: onMigrated((url) => measureMessages(url)),
  rebuild: onMigrated((url) => measureRebuild(url)),
  months: onMigrated(measureMonths),
  partitions: onMigrated((url, { rows }) => measurePartitions(url, rows)),
  processes: onMigrated(measureProcesses),
  "start-up": measureStartUp,
  extraction: measureExtraction,
  validation: measureValidation,
};
