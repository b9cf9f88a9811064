/**
 * Gets a token for a client of the demo. Prints the token alone, so that a shell can take it:
 *
 *   TOKEN=$(npm run --silent token -- dashboard)
 */
import { readConfig } from "../src/config.ts";
import { demoTokenFor } from "./demo-token.ts";

// Breaking the glass is asked for by its name; whoever may not gets the rest.
const [, , name = "", scope = "system/*.cruds tidegate/*.cruds tidegate/break-glass.c"] = process.argv;

await demoTokenFor(readConfig().DATA_DIR, name, scope).then(
  (token) => process.stdout.write(`${token}\n`),
  (error: Error) => {
    process.stderr.write(`${error.message}\n`);
    process.exitCode = 1;
  },
);
