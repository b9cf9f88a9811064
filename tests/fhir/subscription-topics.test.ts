import { expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { parseSearch } from "../../src/fhir/search/parse.ts";
import { topicOf, topics } from "../../src/fhir/subscription-topics.ts";

const options = { handling: "strict", defaultCount: 20, maxCount: 500, maxLinks: 3, nowMs: 0 } as const;

test("each topic is a search of this service", () => {
  const definitions = createDefinitions({ types: "default", profiles: () => [] });
  for (const { type, query } of topics)
    expect(parseSearch(definitions, [type], [...new URLSearchParams(query)], options).ok).toBe(true);
});

test("a safety finding is a Task of a rule of safety", () => {
  const { query } = topics.find(({ code }) => code === "safety-finding") ?? { query: "" };
  expect(query).toContain("finding-rule|used-while-contraindicated");
  expect(query).not.toContain("low-use");
});

test("a topic is found by its address, and by nothing else", () => {
  expect(topicOf("https://tidegate.example/fhir/SubscriptionTopic/task-changed")?.type).toBe("Task");
  expect(topicOf("task-changed")).toBeUndefined();
});
