import { parseArgs } from "node:util";
import { checkTrail } from "./flows/audit-trail.ts";
import type { Service } from "./flows/service.ts";
import type { AuditHead } from "./store/audit.ts";
import { findTenant, listTenants } from "./store/tenant.ts";

/** How the command is called. */
export const verifyAuditUsage = "verify-audit [--tenant demo [--noted <sequence>:<hash>]]";

/** What it is named that those leave a trail under whom nobody could tell. */
const nobodysTrail = { slug: "(no tenant)", tenantId: 0 };

/**
 * Follows the audit trail of one tenant, or of each, link by link. Prints a line for each trail: how many rows it has and
 * its head, to be kept elsewhere and given back as `--noted`; or the first link that is broken. Answers whether all hold.
 */
export async function verifyAuditCommand(
  service: Service,
  args: readonly string[],
  say: (text: string) => void,
): Promise<boolean> {
  const text = { type: "string" } as const;
  const { values } = parseArgs({ args: [...args], options: { tenant: text, noted: text } });
  const noted = values.noted === undefined ? undefined : notedOf(values.noted);
  if (noted !== undefined && values.tenant === undefined) throw usage();
  let whole = true;
  for (const { slug, tenantId } of await trailsOf(service, values.tenant)) {
    const check = await checkTrail(service, tenantId, noted);
    whole &&= check.ok;
    say(
      check.ok
        ? `${slug}: whole, ${check.rows} rows${removedIn(check.removedThrough)}, head ${check.head.sequence}:${check.head.hash}`
        : `${slug}: BROKEN at row ${check.sequence}: ${check.fault}`,
    );
  }
  return whole;
}

/** What a whole trail lacks, because its time was over. */
function removedIn(through: number | undefined): string {
  return through === undefined ? "" : ` after row ${through}, up to which it was removed`;
}

async function trailsOf(
  { database }: Service,
  asked: string | undefined,
): Promise<readonly { readonly slug: string; readonly tenantId: number }[]> {
  if (asked === undefined) return [nobodysTrail, ...(await listTenants(database))];
  const tenant = await findTenant(database, asked);
  if (tenant === undefined) throw new Error(`There is no tenant ${asked} here.`);
  return [tenant];
}

function notedOf(text: string): AuditHead {
  const [, sequence, hash] = /^(\d{1,15}):([\da-f]{64})$/.exec(text) ?? [];
  if (sequence === undefined || hash === undefined) throw usage();
  return { sequence: Number(sequence), hash };
}

function usage(): Error {
  return new Error(`Call it as:\n  ${verifyAuditUsage}`);
}
