/**
 * A table as CSV (RFC 4180): a header row, every cell quoted, lines ended by CR LF. A cell that a spreadsheet would take
 * for a formula is defused with an apostrophe, as OWASP advises against CSV injection; numbers are left alone.
 */
export function csvOf(header: readonly string[], rows: readonly (readonly (string | number | boolean)[])[]): string {
  return [header, ...rows].map((row) => `${row.map(cell).join(",")}\r\n`).join("");
}

function cell(value: string | number | boolean): string {
  const text = typeof value === "string" && /^[=+\-@\t\r]/.test(value) ? `'${value}` : String(value);
  return `"${text.replaceAll('"', '""')}"`;
}
