/** `Patient/id` in a reference or at the end of an address, and our own doors' `patientId`. */
const person = /[/"]Patient\/([A-Za-z0-9.-]{1,64})(?=["/|?#])|"patientId"\s*:\s*"([A-Za-z0-9.-]{1,64})"/g;

/**
 * Ids of the people whom an answer is about, each once, in the order of the text: of the patients it shows and of those it
 * refers to. Read from the JSON text itself, so that whatever made the answer cannot forget to say whom it showed.
 */
export function peopleShown(text: string): string[] {
  const found = new Set<string>();
  for (const [, referred, named] of text.matchAll(person)) found.add(referred ?? named ?? "");
  return [...found];
}
