import { expect } from "vitest";
import type { TestApp } from "./app.ts";

/** What an answer tells of the inside: frames, statements, the database's own words. */
const inside = /\n\s*at |\.ts:\d|syntax error|relation "|SQLSTATE|unterminated|pg_catalog/i;

export interface Asked {
  readonly body?: string;
  /** Of the body; FHIR JSON where absent. */
  readonly type?: string;
  readonly headers?: Readonly<Record<string, string>>;
}

/** Asks with the tenant's token, and expects that nothing broke (no 5xx) and that a refusal tells nothing of the inside. */
export function askerOf(app: () => TestApp) {
  return async (method: string, url: string, { body, type = "application/fhir+json", headers = {} }: Asked = {}) => {
    const here = app();
    const answer = await here.app.inject({
      method: method as "GET",
      url,
      headers: {
        authorization: `Bearer ${here.token}`,
        ...(body === undefined ? {} : { "content-type": type }),
        ...headers,
      },
      ...(body === undefined ? {} : { payload: body }),
    });
    expect(answer.statusCode, `${method} ${url.slice(0, 200)} ${answer.body.slice(0, 300)}`).toBeLessThan(500);
    if (answer.statusCode >= 400) expect(answer.body).not.toMatch(inside);
    return answer;
  };
}

/** How many resources a searchset shows, besides what it says about the search itself. */
export function shownIn(body: string): number {
  const { entry = [] } = JSON.parse(body) as { entry?: { resource?: { resourceType: string } }[] };
  return entry.filter(({ resource }) => resource?.resourceType !== "OperationOutcome").length;
}
