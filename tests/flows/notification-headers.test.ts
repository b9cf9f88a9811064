import { expect, test } from "vitest";
import { headerFields, headerProblems, keptHeaders, maskedHeaders } from "../../src/flows/notification-headers.ts";

const withHeader = (...header: string[]) =>
  ({
    resourceType: "Subscription",
    status: "requested",
    reason: "",
    criteria: "",
    channel: { type: "rest-hook", header },
  }) as const;

test("values are shown to nobody", () => {
  expect(maskedHeaders(["Authorization: Bearer abc", "X-Ward: 7"])).toEqual([
    "Authorization: (kept by the service)",
    "X-Ward: (kept by the service)",
  ]);
});

test("a line that comes back as it was shown keeps its value; others are as they are sent", () => {
  const before = ["Authorization: Bearer abc", "X-Ward: 7"];
  expect(keptHeaders(["authorization: (kept by the service)", "X-Ward: 8"], before)).toEqual([
    "Authorization: Bearer abc",
    "X-Ward: 8",
  ]);
  expect(keptHeaders(["X-New: (kept by the service)"], before)).toEqual([]);
});

test.each(["Host: evil", "Content-Length: 0", "X-Tidegate-Signature: mine", "Transfer-Encoding: chunked"])(
  "%s is the service's own",
  (line) => {
    expect(headerProblems(withHeader(line)).map(({ at }) => at)).toEqual(["Subscription.channel.header[0]"]);
  },
);

// Splitting of requests: https://owasp.org/www-community/attacks/HTTP_Response_Splitting.
test.each(["no colon", "X-A: b\r\nX-C: d", "X A: b", ": b"])("%j is no header field", (line) => {
  expect(headerProblems(withHeader(line))).toHaveLength(1);
});

test("fields are read by name", () => {
  expect(headerFields(["Authorization: Bearer abc"])).toEqual({ authorization: "Bearer abc" });
});
