/** U+0000, or half of a surrogate pair: no database text holds them, and no FHIR string may. */
const unstorable = /\0|[\ud800-\udbff](?![\udc00-\udfff])|(?<![\ud800-\udbff])[\udc00-\udfff]/;
const escapes = /\\\\|\\u(?:0000|d[89a-f][0-9a-f]{2})/g;

/** Whether a text can be stored and shown: false when it holds U+0000 or half of a surrogate pair. */
export function isStorable(text: string): boolean {
  return !unstorable.test(text);
}

/**
 * A value from JSON, with every character that cannot be stored replaced by U+FFFD, in names as in values. For keeping
 * what was refused; the upload itself is kept byte for byte.
 */
export function storable(value: unknown): unknown {
  const json = JSON.stringify(value);
  // Only halves of pairs and control characters are escaped when written (ECMA-262, QuoteJSONString).
  const mended = json.replace(escapes, (found) => (found === "\\\\" ? found : "\\ufffd"));
  return mended === json ? value : JSON.parse(mended);
}
