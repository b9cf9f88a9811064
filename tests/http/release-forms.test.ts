import { createHash } from "node:crypto";
import { describe, expect, test } from "vitest";
import type { ReleaseBody } from "../../src/flows/release.ts";
import { barChart } from "../../src/http/release-chart.ts";
import { releaseCsv } from "../../src/http/release-csv.ts";
import { pagePolicy, releasePage } from "../../src/http/release-page.ts";

const place = {
  name: "place",
  members: [
    { key: "all", title: "All places", level: 0 },
    { key: "a", title: '=HYPERLINK("https://x.example")', level: 1 },
    { key: "b", title: "<script>alert(1)</script>", level: 1 },
  ],
};
const age = { name: "age", members: [{ key: "all", title: "All ages", level: 0 }] };

const body: ReleaseBody = {
  number: 4,
  period: { code: "2026-05", kind: "month", firstDay: "2026-05-01", endDay: "2026-06-01" },
  policy: { name: "hes", text: "Counts from 1 to 7 are hidden." },
  ruleVersion: "7",
  cautions: ["Small groups say little."],
  star: "Hidden: too few.",
  figures: [
    { code: "people", title: "People & things", definition: "Whoever has a plan.", unit: "1", kind: "count" },
    { code: "use.low", title: "Low use", definition: "Under 35 %.", unit: "1", kind: "count", outOf: "people" },
    { code: "wait.median", title: "Wait", definition: "Days.", unit: "d", kind: "median" },
  ],
  tables: [
    {
      figure: "people",
      dimensions: [place],
      rows: [
        { at: { place: "all" }, count: 20 },
        { at: { place: "a" }, count: 15 },
        { at: { place: "b" }, count: null },
      ],
    },
    {
      figure: "people",
      dimensions: [place, age],
      rows: [
        { at: { place: "all", age: "all" }, count: 20 },
        { at: { place: "a", age: "all" }, count: 15 },
        { at: { place: "b", age: "all" }, count: null },
      ],
    },
    {
      figure: "use.low",
      dimensions: [place],
      rows: [
        { at: { place: "all" }, count: 10, percent: 50 },
        { at: { place: "a" }, count: 10, percent: null },
        { at: { place: "b" }, count: null, percent: null },
      ],
    },
    {
      figure: "wait.median",
      dimensions: [place],
      rows: [
        { at: { place: "all" }, count: 20, median: 3.5 },
        { at: { place: "a" }, count: 0 },
        { at: { place: "b" }, count: null, median: null },
      ],
    },
  ],
};

const hash = "f".repeat(64);
const csv = releaseCsv(body, hash, false, "For information.");
const page = releasePage(body, hash, false, "For information.");

describe("the CSV", () => {
  const lines = csv.split("\r\n");

  test("says first what must be known: policy, period, hash, cautions and the star", () => {
    expect(lines[0]).toBe('"block","name","text"');
    for (const text of [
      "hes: Counts from 1 to 7",
      "2026-05: from 2026-05-01",
      hash,
      "For information.",
      "Small groups say little.",
      '"*","Hidden: too few."',
    ])
      expect(csv).toContain(text);
    expect(csv).toContain('"definition","people","People & things","Whoever has a plan."');
  });

  // OWASP, CSV Injection.
  test("defuses what a spreadsheet would run", () => {
    expect(csv).toContain(`"'=HYPERLINK(""https://x.example"")"`);
    expect(csv).not.toMatch(/(^|,)"?[=+@-]/m);
  });

  test("has one row for each place of each table, with a star for what is hidden", () => {
    expect(lines.filter((line) => line.startsWith('"figure"'))).toHaveLength(12);
    expect(lines).toContain('"figure","wait.median","place","<script>alert(1)</script>","","","*","","*"');
    expect(lines).toContain('"figure","use.low","place","All places","","","10","50",""');
    expect(lines).toContain('"figure","people","place","All places","age","All ages","20","",""');
  });

  test("of a draft says so", () => {
    expect(releaseCsv(body, hash, true, "")).toContain("DRAFT, not signed off");
    expect(csv).not.toContain("DRAFT");
  });
});

describe("the page", () => {
  // CSP Level 3, 2.3.1: an inline style is let in by the hash of exactly its text.
  test("is let its own style by hash, and nothing else", () => {
    const [, style = ""] = /<style>([\s\S]*?)<\/style>/.exec(page) ?? [];
    expect(style.length).toBeGreaterThan(100);
    expect(pagePolicy).toContain(`'sha256-${createHash("sha256").update(style).digest("base64")}'`);
    expect(pagePolicy).toMatch(/^default-src 'none';/);
    expect(page.match(/<style/g)).toHaveLength(1);
    expect(page).not.toMatch(/ style=|<script|<link|<img|<iframe|javascript:| on\w+=|https?:\/\/(?!x\.example)/);
  });

  // OWASP, Cross Site Scripting Prevention.
  test("writes names as text", () => {
    expect(page).toContain("&lt;script&gt;alert(1)&lt;/script&gt;");
    expect(page).toContain("People &amp; things");
  });

  // WCAG 2.2, 1.1.1 and 1.3.1.
  test("tells each chart by title and description, and each table by its caption and heads", () => {
    const charts = page.match(/<svg [^>]*role="img" |<svg role="img"/g) ?? [];
    expect(charts).toHaveLength(3);
    expect(page.match(/<title id=/g)).toHaveLength(3);
    expect(page.match(/<desc id=/g)).toHaveLength(3);
    expect(page.match(/<caption>/g)).toHaveLength(4);
    expect(page).toContain('<html lang="en">');
    expect(page).toMatch(/<th scope="col">/);
    const ids = [...page.matchAll(/ id="([^"]+)"/g)].map(([, id]) => id);
    expect(new Set(ids).size).toBe(ids.length);
  });

  test("holds cautions, definitions and the hash", () => {
    for (const text of [
      "For information.",
      "Small groups say little.",
      "Whoever has a plan.",
      hash,
      "Percentages are of: People &amp; things.",
    ])
      expect(page).toContain(text);
  });
});

describe("a chart", () => {
  const chart = barChart("c", "A <title>", " days", [
    { label: "North", value: 10 },
    { label: "South", value: 5 },
    { label: "West", value: null },
    { label: "East", value: undefined },
  ]);

  test("draws bars in proportion, and none for what is hidden or absent", () => {
    const widths = [...chart.matchAll(/<rect class="bar"[^>]* width="([\d.]+)"/g)].map(([, width]) => Number(width));
    expect(widths[0]).toBe(2 * (widths[1] ?? 0));
    expect(widths[2]).toBe(0);
    expect(chart.match(/class="hidden-bar"/g)).toHaveLength(1);
  });

  test("says every value in its description", () => {
    expect(chart).toContain("North: 10 days; South: 5 days; West: hidden; East: none to tell of</desc>");
    expect(chart).toContain("A &lt;title&gt;</title>");
  });

  test("of nobody at all has no bar of some length", () => {
    expect(barChart("c", "t", "", [{ label: "a", value: 0 }])).toContain('width="0"');
  });
});
