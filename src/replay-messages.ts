import { parseArgs } from "node:util";
import { replayRefused } from "./flows/messages.ts";
import type { Service } from "./flows/service.ts";
import type { MessageFile } from "./message-file.ts";
import { findTenant } from "./store/tenant.ts";

/** How the command is called. */
export const replayMessagesUsage = "replay-messages --tenant demo";

/** Tries every refused message of a tenant again, the oldest first, and says what became of each. Throws with what to mend. */
export async function replayMessagesCommand(
  service: Service,
  { settings }: Pick<MessageFile, "settings">,
  args: readonly string[],
  say: (text: string) => void,
): Promise<void> {
  const { values } = parseArgs({ args: [...args], options: { tenant: { type: "string" } } });
  if (values.tenant === undefined) throw new Error(`Call it as:\n  ${replayMessagesUsage}`);
  const tenant = await findTenant(service.database, values.tenant);
  if (tenant === undefined) throw new Error(`There is no tenant "${values.tenant}" here.`);
  const count = await replayRefused(service, tenant.tenantId, settings, ({ messageId, type, status, refusals }) =>
    say(
      [messageId, type || "(no header)", status, ...refusals.map(({ at = "", detail }) => `${at} ${detail}`)].join(
        "  ",
      ),
    ),
  );
  say(`${count.tried} tried, ${count.accepted} taken in.`);
}
