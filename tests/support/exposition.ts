/** One line of the exposition format with its labels. */
export interface Sample {
  readonly name: string;
  readonly labels: Readonly<Record<string, string>>;
  readonly value: number;
}

/**
 * Reads the text format 0.0.4 line by line (https://prometheus.io/docs/instrumenting/exposition_formats/, "Text format details"):
 * a comment, nothing, or a sample. Any other line throws.
 */
export function readExposition(text: string): { samples: Sample[]; types: Map<string, string> } {
  if (!text.endsWith("\n")) throw new Error("the last line must end with a line feed");
  const types = new Map<string, string>();
  const samples: Sample[] = [];
  for (const line of text.split("\n")) {
    const [, typed, type] =
      /^# TYPE ([a-zA-Z_:][a-zA-Z0-9_:]*) (counter|gauge|histogram|summary|untyped)$/.exec(line) ?? [];
    if (typed !== undefined && types.has(typed)) throw new Error(`${typed} has two types`);
    if (typed !== undefined) types.set(typed, type ?? "");
    if (line === "" || line.startsWith("#")) continue;
    const [, name = "", inBraces, value = ""] =
      /^([a-zA-Z_:][a-zA-Z0-9_:]*)(?:\{(.*)\})? ([+-]?(?:\d[\d.eE+-]*|Inf)|NaN)$/.exec(line) ?? [];
    if (name === "") throw new Error(`no sample: ${line}`);
    const pairs = [...(inBraces ?? "").matchAll(/([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\]|\\.)*)",?/g)];
    if (pairs.map(([whole]) => whole).join("") !== (inBraces ?? "")) throw new Error(`broken labels: ${line}`);
    const labels = Object.fromEntries(pairs.map(([, key = "", text = ""]) => [key, text]));
    samples.push({
      name,
      labels,
      value: value.endsWith("Inf") ? Number(value.replace("Inf", "Infinity")) : Number(value),
    });
  }
  return { samples, types };
}

/** The value of the sample with this name and these labels, whatever others it has; undefined where there is none. */
export function sampleOf(
  text: string,
  name: string,
  labels: Readonly<Record<string, string>> = {},
): number | undefined {
  return readExposition(text).samples.find(
    (one) => one.name === name && Object.entries(labels).every(([key, value]) => one.labels[key] === value),
  )?.value;
}
