import { enableCompileCache } from "node:module";
import { join } from "node:path";
import { readConfig } from "./config.ts";

// Node strips the types and compiles each file at every start unless it may keep what it made of them: that is most of
// the second until the service answers. In our own folder, because whoever could write to it could run code in here.
try {
  enableCompileCache(join(readConfig().DATA_DIR, "compile-cache"));
} catch {
  // A configuration that is not usable is told by the command that needs it.
}
const { runCommand } = await import("./commands.ts");
await runCommand(process.argv.slice(2));
