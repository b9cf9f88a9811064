import { expect, test } from "vitest";
import { thresholdSources } from "../../src/domain/threshold-sources.ts";

const published = /\b\d{4}, (Respir Care|Curr Opin Pediatr|Thorax) |et al\. \d{4}, Respir Care|NIST\/SEMATECH/;

test("every source is a publication, or says that there is none", () => {
  const others = Object.entries(thresholdSources).filter(
    ([, source]) => !published.test(source) && !source.includes("no published source"),
  );
  expect(others).toEqual([["taskRouting", "The organisation's own."]]);
});
