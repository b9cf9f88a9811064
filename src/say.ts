/** Tells whoever started the process; the log is for machines. */
export function say(text: string): void {
  process.stdout.write(`${text}\n`);
}
