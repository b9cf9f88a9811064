import { type SearchsetParts, searchsetText } from "../fhir/bundle.ts";
import { issueOf } from "../fhir/outcome.ts";
import { pageLinks } from "../fhir/page-links.ts";
import type { SearchQuery } from "../fhir/search/query.ts";
import { subsetText } from "../fhir/subset.ts";
import type { SearchAnswer } from "./search-resources.ts";

/** Where a search was asked, so that its bundle can link to itself and to its next page. */
export interface SearchAddress {
  /** Base address of the FHIR door. */
  readonly base: string;
  /** What was asked below it: `Observation`, `Patient/1/Observation`, or nothing for the whole system. */
  readonly path: string;
  /** The place of this page, as its link names it; absent on the first. */
  readonly cursor?: string | undefined;
  /** The link text of a place further on. */
  cursorAt(place: readonly (string | null)[]): string;
}

/** The searchset Bundle of one page as JSON text (https://hl7.org/fhir/R4/http.html#paging). */
export function searchset(query: SearchQuery, answer: SearchAnswer, address: SearchAddress): string {
  const { page, included } = answer;
  const last = page.matches.at(-1);
  const next = page.more && last !== undefined ? address.cursorAt(last.sortValues) : undefined;
  const url = address.path === "" ? address.base : `${address.base}/${address.path}`;
  return searchsetText({
    baseUrl: address.base,
    matches: page.matches.map((one) => ({ ...one, body: subsetText(one.body, query) })),
    included: included.map((one) => ({ ...one, body: subsetText(one.body, { summary: query.summary }) })),
    links: pageLinks({ address: url, used: query.used, cursor: address.cursor, next }),
    ...(page.total === undefined ? {} : { total: page.total }),
    ...warnings(query, answer),
  });
}

function warnings(query: SearchQuery, answer: SearchAnswer): Pick<SearchsetParts, "outcome"> {
  const issue = query.ignored.map(({ name, reason }) =>
    issueOf({ kind: "not-supported", detail: reason, at: name }, "warning"),
  );
  if (answer.cut) {
    const detail = `Only the first ${answer.included.length} included resources are in this page. Ask for fewer matches (_count) or inclusions.`;
    issue.push(issueOf({ kind: "too-costly", detail }, "warning"));
  }
  return issue.length === 0 ? {} : { outcome: { resourceType: "OperationOutcome", issue } };
}
