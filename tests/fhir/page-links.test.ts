import { expect, test } from "vitest";
import { pageLinks } from "../../src/fhir/page-links.ts";

const address = "https://gate.test/fhir/Patient";

// https://hl7.org/fhir/R4/http.html#paging: a self link always, a next link while there is more.
test("a page names itself with the parameters that were used, and the next page while there is one", () => {
  const used = [["name", "Ohm & Sons"]] as const;
  expect(pageLinks({ address, used, cursor: undefined, next: "n1" })).toEqual([
    { relation: "self", url: `${address}?name=Ohm+%26+Sons` },
    { relation: "next", url: `${address}?name=Ohm+%26+Sons&_cursor=n1` },
  ]);
});

test("a last page without parameters is its address, and a later one says where it begins", () => {
  expect(pageLinks({ address, used: [], cursor: undefined, next: undefined })).toEqual([
    { relation: "self", url: address },
  ]);
  expect(pageLinks({ address, used: [], cursor: "n1", next: undefined })).toEqual([
    { relation: "self", url: `${address}?_cursor=n1` },
  ]);
});
