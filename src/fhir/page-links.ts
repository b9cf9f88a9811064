import type { BundleLink } from "@medplum/fhirtypes";

/** A page of a list: its address, the parameters that were used, where it begins, and where the next one does. */
interface PagePlace {
  readonly address: string;
  readonly used: readonly (readonly [name: string, value: string])[];
  readonly cursor: string | undefined;
  readonly next: string | undefined;
}

/** The `self` link of a page, and the `next` where there is one (https://hl7.org/fhir/R4/http.html#paging). */
export function pageLinks({ address, used, cursor, next }: PagePlace): BundleLink[] {
  const link = (relation: string, place: string | undefined): BundleLink => {
    const params = new URLSearchParams(used.map(([name, value]) => [name, value]));
    if (place !== undefined) params.append("_cursor", place);
    const text = params.toString();
    return { relation, url: text === "" ? address : `${address}?${text}` };
  };
  return [link("self", cursor), ...(next === undefined ? [] : [link("next", next)])];
}
