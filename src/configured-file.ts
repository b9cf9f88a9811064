import { readFile } from "node:fs/promises";

/** A JSON file that a variable names: which variable, where it lies, and the document that shows a whole one. */
export interface ConfiguredFile {
  readonly variable: string;
  readonly path: string;
  readonly shownIn: string;
}

/** Reads and parses it; throws what its operator is to be told. */
export async function readConfiguredJson(file: ConfiguredFile): Promise<unknown> {
  let text: string;
  try {
    text = await readFile(file.path, "utf8");
  } catch (error) {
    throw unusableFile(file, [`the file cannot be read (${(error as { code?: string }).code ?? "unknown"})`]);
  }
  try {
    return JSON.parse(text);
  } catch {
    throw unusableFile(file, [`it holds no JSON; ${file.shownIn} shows a whole one`]);
  }
}

/** `[0].tenants.east`, as one would write it in the language of the file. */
export function placeInFile(path: readonly PropertyKey[]): string {
  return path.map((step) => (typeof step === "number" ? `[${step}]` : `.${String(step)}`)).join("") || "the whole";
}

/** Why the service does not start: each thing that is wrong with the file, once. */
export function unusableFile({ variable, path }: ConfiguredFile, lines: readonly string[]): Error {
  const each = lines.map((line) => `${variable} is "${path}": ${line}`);
  return new Error(`The configuration is not usable.\n${[...new Set(each)].join("\n")}`);
}
