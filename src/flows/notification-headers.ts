import type { Subscription } from "@medplum/fhirtypes";
import type { Refusal } from "../domain/result.ts";

/** What stands in a resource in the place of a header field's value, which is a secret more often than not. */
const mask = "(kept by the service)";

const line = /^([A-Za-z0-9!#$%&'*+.^_`|~-]{1,100}):[ \t]*([\x20-\x7e]{0,2000})$/;
const [mostHeaders, ours] = [
  10,
  /^(host|connection|transfer-encoding|content-.*|te|trailer|upgrade|expect|x-tidegate-.*)$/i,
];

/** What is wrong with the header fields that a Subscription asks for (https://www.rfc-editor.org/rfc/rfc9110#section-5). */
export function headerProblems({ channel }: Subscription): Refusal[] {
  const headers = channel.header ?? [];
  const refusal = (detail: string, at: string): Refusal => ({ kind: "value", detail, at, status: 422 });
  const at = "Subscription.channel.header";
  if (headers.length > mostHeaders) return [refusal(`There are at most ${mostHeaders} header fields.`, at)];
  return headers.flatMap((text, i) => {
    const name = line.exec(text)?.[1];
    if (name === undefined) return [refusal("A header field is written as Name: value.", `${at}[${i}]`)];
    return ours.test(name)
      ? [refusal(`The header field ${name} is the service's own. Leave it out.`, `${at}[${i}]`)]
      : [];
  });
}

/** The same lines without their values. */
export function maskedHeaders(headers: readonly string[]): string[] {
  return headers.map((text) => `${nameOf(text)}: ${mask}`);
}

/** The lines with their values: one that comes back as it was shown keeps the value that it had. */
export function keptHeaders(headers: readonly string[], before: readonly string[]): string[] {
  return headers.flatMap((text) => {
    if (valueIn(text) !== mask) return [text];
    return before.filter((one) => nameOf(one).toLowerCase() === nameOf(text).toLowerCase()).slice(0, 1);
  });
}

/** Lines as a request takes them. */
export function headerFields(headers: readonly string[]): Readonly<Record<string, string>> {
  return Object.fromEntries(headers.map((text) => [nameOf(text).toLowerCase(), valueIn(text)]));
}

function nameOf(text: string): string {
  return line.exec(text)?.[1] ?? "";
}

function valueIn(text: string): string {
  return line.exec(text)?.[2]?.trim() ?? "";
}
