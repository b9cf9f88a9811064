import type { PoolClient } from "pg";
import { type Confinement, settingNames, settingsOf } from "./confinement.ts";
import { sentAhead } from "./tenant-session.ts";

/** What each reading connection shows now: the texts of its settings, or nothing while they are being changed. */
const shownBy = new WeakMap<PoolClient, string>();

/** Whether it is known what a reading connection shows; where it is not, it is of no use to others. */
export function isShowing(client: PoolClient): boolean {
  return shownBy.has(client);
}

/**
 * Sets whose rows a reading connection shows, all settings at once, so that nothing of the last reader is left; sends nothing
 * where they are so already.
 */
export function showTo(client: PoolClient, tenantId: number, confinement: Confinement | undefined): Promise<unknown> {
  const given = new Map([["tidegate.tenant", tenantText(tenantId)], ...settingsOf(confinement ?? {})]);
  const values = settingNames.map((name) => given.get(name) ?? "");
  const wanted = values.join("\n");
  if (shownBy.get(client) === wanted) return Promise.resolve();
  shownBy.delete(client);
  const shown = sentAhead(client, { name: "show to", text: showStatement, values }).then(() => {
    shownBy.set(client, wanted);
  });
  shown.catch(() => undefined);
  return shown;
}

const showStatement = `select ${settingNames.map((name, i) => `set_config('${name}', $${i + 1}, false)`).join(", ")}`;

/** A tenant's number as a setting holds it. */
export function tenantText(tenantId: number): string {
  if (!Number.isInteger(tenantId)) throw new Error("tenant id is not an integer");
  return String(tenantId);
}
