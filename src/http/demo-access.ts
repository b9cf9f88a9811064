import { randomBytes } from "node:crypto";
import { chmod, mkdir, readFile, writeFile } from "node:fs/promises";
import { join } from "node:path";

/** What scripts need to call the demo; kept in `demo-access.json` in the data folder, for its owner alone. */
export interface DemoAccess {
  readonly fhirUrl: string;
  readonly apiUrl: string;
  readonly token: string;
}

const fileName = "demo-access.json";

/** The demo token of an earlier start, or a new one. */
export async function demoToken(dataFolder: string): Promise<string> {
  try {
    const { token } = JSON.parse(await readFile(join(dataFolder, fileName), "utf8")) as Partial<DemoAccess>;
    if (typeof token === "string" && /^[\w-]{43}$/.test(token)) return token;
  } catch {
    // No file yet, or one that a crash left half-written: a new token is as good.
  }
  return randomBytes(32).toString("base64url");
}

/** Writes the access file with mode 0600, also where an older one had another. */
export async function writeDemoAccess(dataFolder: string, access: DemoAccess): Promise<string> {
  await mkdir(dataFolder, { recursive: true });
  const path = join(dataFolder, fileName);
  await writeFile(path, `${JSON.stringify(access, null, 2)}\n`, { mode: 0o600 });
  await chmod(path, 0o600);
  return path;
}
