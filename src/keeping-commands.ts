import { parseArgs } from "node:util";
import type { Config } from "./config.ts";
import { applyRetention, erasureDue } from "./flows/apply-retention.ts";
import { type ErasureReport, erasePerson } from "./flows/erase-person.ts";
import type { Service } from "./flows/service.ts";
import { type Database, openOwnerDatabase } from "./store/database.ts";
import { findTenant } from "./store/tenant.ts";

/** What a command of an operator works with. */
export interface CommandPlace {
  readonly service: Service;
  /** Where the owner of the tables connects. */
  readonly ownerUrl: string;
  readonly config: Pick<Config, "RETAIN_AUDIT_DAYS" | "RETAIN_UPLOADS_DAYS" | "RETAIN_VERSIONS_DAYS">;
  readonly args: readonly string[];
  say(text: string): void;
}

const usage = {
  erase:
    'erase-person --tenant demo --patient <id> --reason "request 12 of 3 May" [--by "who"] [--with-devices] [--leave-mentions] [--dry-run]',
  due: "erasure-due --tenant demo --years 8",
} as const;

const text = { type: "string" } as const;
const flag = { type: "boolean", default: false } as const;

/** Commands about how long records are kept, by their names. */
export const keepingCommands: Readonly<Record<string, (place: CommandPlace) => Promise<void>>> = {
  "erase-person": erasePersonCommand,
  "apply-retention": applyRetentionCommand,
  "erasure-due": erasureDueCommand,
};

/** Erases one person and says what was done; throws with what to mend. */
async function erasePersonCommand({ service, ownerUrl, args, say }: CommandPlace): Promise<void> {
  const { values } = parseArgs({
    args: [...args],
    options: {
      tenant: text,
      patient: text,
      reason: text,
      by: text,
      "with-devices": flag,
      "leave-mentions": flag,
      "dry-run": flag,
    },
  });
  const { patient, by } = values;
  const reason = values.reason?.trim() ?? "";
  if (patient === undefined || !/^[A-Za-z0-9\-.]{1,64}$/.test(patient) || reason === "") {
    throw new Error(`Call it as:\n  ${usage.erase}`);
  }
  const tenantId = await tenantOf(service.database, values.tenant, usage.erase);
  say(
    `Before an erasure, hand over or keep what must be kept: GET /fhir/Patient/${patient}/$everything answers all of it.`,
  );
  const report = await withOwner(ownerUrl, (owner) =>
    erasePerson(service, owner, tenantId, {
      patientId: patient,
      reason,
      ...(by === undefined ? {} : { operator: by }),
      devices: values["with-devices"] ? "go" : "stay",
      mentions: values["leave-mentions"] ? "leave" : "stop",
      mode: values["dry-run"] ? "trial" : "erase",
    }),
  );
  say(told(patient, report));
  if (report.outcome === "stopped") throw new Error("Nothing was erased.");
}

const headings: Readonly<Record<ErasureReport["outcome"], string>> = {
  erased: "Erased. Keep this id in the list that is gone through again after a restore from a backup.",
  trial: "A dry run: nothing was changed. It would do this.",
  stopped:
    "Stopped, and nothing was changed: other texts still name the person (below). Mend them, or look at them and add --leave-mentions.",
  "nothing-here": "Nothing about this person is here.",
};

function told(patientId: string, report: ErasureReport): string {
  const width = Math.max(...report.tables.map(({ table }) => table.length), 0);
  const list = (title: string, items: readonly string[]) =>
    items.length === 0 ? [] : ["", title, ...items.map((one) => `  ${one}`)];
  return [
    `Patient/${patientId}: ${headings[report.outcome]}`,
    ...report.tables.map(({ table, rows }) => `  ${table.padEnd(width)}  ${String(rows).padStart(8)}`),
    ...list("References to the person were masked in:", report.masked),
    ...list("Uploads that told of other people too; their content is gone as well:", report.sharedUploads),
    ...list(
      "Devices that stay (--with-devices erases those that nobody else ever had):",
      report.devicesLeft.map((id) => `Device/${id}`),
    ),
    ...list(
      "Other records of the same person, which stay until they are erased by their own ids:",
      report.linked.map((id) => `Patient/${id}`),
    ),
    ...list("A name, number or identifier of the person still stands in:", report.mentions),
  ].join("\n");
}

const removedThings = {
  uploads: "contents of uploads",
  versions: "replaced versions",
  audit: "entries of the audit trail",
} as const;

/** Removes what the configuration says is over. */
async function applyRetentionCommand({ service, ownerUrl, config, args, say }: CommandPlace): Promise<void> {
  const { values } = parseArgs({ args: [...args], options: { by: text, "dry-run": flag } });
  const rules = {
    uploadDays: config.RETAIN_UPLOADS_DAYS,
    versionDays: config.RETAIN_VERSIONS_DAYS,
    auditDays: config.RETAIN_AUDIT_DAYS,
  };
  if (Object.values(rules).every((days) => days === 0)) {
    say("Everything is kept: neither RETAIN_UPLOADS_DAYS nor RETAIN_VERSIONS_DAYS nor RETAIN_AUDIT_DAYS is set.");
    return;
  }
  if (values["dry-run"]) say("A dry run: nothing is changed. It would remove:");
  let due = 0;
  await withOwner(ownerUrl, (owner) =>
    applyRetention(service, owner, rules, {
      mode: values["dry-run"] ? "trial" : "apply",
      ...(values.by === undefined ? {} : { operator: values.by }),
      onProgress: ({ tenant, rule, rows }) => {
        due += rows;
        say(`${tenant}: ${rows} ${removedThings[rule]}`);
      },
    }),
  );
  if (due === 0) say("Nothing is due.");
  say("Records in force and refused uploads are never removed by this command.");
}

/** Lists who died or left long ago: ids and nothing else, one a line. */
async function erasureDueCommand({ service, args, say }: CommandPlace): Promise<void> {
  const { values } = parseArgs({ args: [...args], options: { tenant: text, years: text } });
  if (values.years === undefined || !/^\d{1,3}$/.test(values.years)) throw new Error(`Call it as:\n  ${usage.due}`);
  const tenantId = await tenantOf(service.database, values.tenant, usage.due);
  for (const id of await erasureDue(service, tenantId, Number(values.years))) say(id);
}

async function tenantOf(database: Database, slug: string | undefined, call: string): Promise<number> {
  if (slug === undefined) throw new Error(`Call it as:\n  ${call}`);
  const found = await findTenant(database, slug);
  if (found === undefined) throw new Error(`There is no tenant "${slug}" here.`);
  return found.tenantId;
}

async function withOwner<T>(ownerUrl: string, work: (owner: Database) => Promise<T>): Promise<T> {
  const owner = openOwnerDatabase(ownerUrl);
  try {
    return await work(owner);
  } finally {
    await owner.close();
  }
}
