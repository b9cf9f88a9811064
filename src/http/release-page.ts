import { createHash } from "node:crypto";
import type { ReleaseBody, ReleaseRow, ReleaseTable } from "../flows/release.ts";
import { escaped } from "./html-text.ts";
import { barChart } from "./release-chart.ts";
import { headOf, shown, star } from "./release-csv.ts";

const style = `
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, sans-serif; color: #1d2b33; background: #fff; max-width: 62rem; margin: 0 auto; padding: 1.5rem; }
h1 { font-size: 1.6rem; font-weight: 600; margin: 0 0 .25rem; }
h2 { font-size: 1.15rem; font-weight: 600; margin: 2.5rem 0 .25rem; border-top: 1px solid #c9d3d8; padding-top: 1rem; }
h3 { font-size: 1rem; font-weight: 600; margin: 1.25rem 0 .25rem; }
p { margin: .25rem 0 .75rem; max-width: 46rem; }
.draft { border: 2px solid #8a3b12; color: #8a3b12; padding: .5rem .75rem; font-weight: 600; }
.cautions { background: #f2f6f7; border-left: 4px solid #3f6f80; padding: .75rem 1rem; }
.cautions ul { margin: 0; padding-left: 1.1rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1rem; }
dt { color: #4a5c66; } dd { margin: 0; overflow-wrap: anywhere; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; margin: .5rem 0 1rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; color: #4a5c66; padding-bottom: .25rem; }
th, td { padding: .2rem .75rem; border-bottom: 1px solid #dde4e7; text-align: right; vertical-align: top; }
th[scope=row], thead th:first-child { text-align: left; font-weight: 400; }
thead th { min-width: 3rem; font-weight: 600; border-bottom-color: #6d7f88; vertical-align: bottom; }
abbr { text-decoration: none; }
.l0 { font-weight: 600; } .l1 { padding-left: 1.5rem; } .l2 { padding-left: 2.5rem; } .l3 { padding-left: 3.5rem; }
svg { max-width: 100%; height: auto; font-size: 13px; fill: #1d2b33; }
.bar { fill: #3f6f80; } .hidden-bar { fill: none; stroke: #6d7f88; stroke-dasharray: 2 2; } .axis { stroke: #6d7f88; }
@media print { body { padding: 0; font-size: 11pt; } section { break-inside: avoid; } .bar { print-color-adjust: exact; } }
`;

/** What the page may load and run: its own style by its hash (CSP Level 3, 2.3.1), and nothing else. */
export const pagePolicy = `default-src 'none'; style-src 'sha256-${createHash("sha256").update(style).digest("base64")}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'`;

/** A release as a page to read and print: what must be known first, then each figure with its definition, chart and tables. */
export function releasePage(body: ReleaseBody, sha256: string, isDraft: boolean, cautions: string): string {
  const title = `Assisted cough at home: figures of ${body.period.code}`;
  const head = headOf(body, sha256, isDraft, cautions);
  const facts = head
    .filter(([name]) => name !== "caution" && name !== "state")
    .map(([name, text]) => `<dt>${escaped(name)}</dt><dd>${escaped(text)}</dd>`);
  const notes = head.filter(([name]) => name === "caution").map(([, text]) => `<li>${escaped(text)}</li>`);
  const draft = isDraft ? '<p class="draft">Draft, not signed off: do not pass on.</p>' : "";
  return `<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>${escaped(title)}</title><style>${style}</style></head>
<body>
<header><h1>${escaped(title)}</h1>${draft}
<div class="cautions"><ul>${notes.join("")}</ul></div>
<dl>${facts.join("")}</dl></header>
<main>
${body.figures.map((figure, index) => section(body, figure, `f${index}`)).join("\n")}
</main>
</body>
</html>
`;
}

type Figure = ReleaseBody["figures"][number];

const unitTexts: Readonly<Record<string, string>> = { "1": "", d: " days", "%": " %" };

function section({ tables, figures }: ReleaseBody, figure: Figure, id: string): string {
  const outOf = figures.find(({ code }) => code === figure.outOf)?.title;
  const percent = outOf === undefined ? "" : ` Percentages are of: ${escaped(outOf)}.`;
  const own = tables.filter((table) => table.figure === figure.code);
  const shapes = own.map((table, index) =>
    table.dimensions.length < 2 ? oneWay(table, figure, `${id}-${index}`) : twoWay(table, figure),
  );
  return `<section aria-labelledby="${id}"><h2 id="${id}">${escaped(figure.title)}</h2>
<p>${escaped(figure.definition)}${percent}</p>
${shapes.join("\n")}</section>`;
}

/** A chart of the parts, and the table of the whole and its parts. */
function oneWay(table: ReleaseTable, { title, kind, unit }: Figure, id: string): string {
  const [dimension] = table.dimensions;
  const members = dimension?.members ?? [{ key: "", title: "All", level: 0 }];
  const rowOf = new Map(table.rows.map((row) => [dimension === undefined ? "" : row.at[dimension.name], row]));
  const columns = [
    kind === "median" ? "People it is of" : "People",
    ...(table.rows.some(({ percent }) => percent !== undefined) ? ["Percent"] : []),
    ...(kind === "median" ? [`Median${(unitTexts[unit] ?? "").replace(/ (\S+)/, ", $1")}`] : []),
  ];
  const rows = members.map(({ key, title: name, level }) => {
    const row = rowOf.get(key);
    const cells = [
      row?.count,
      ...(columns.includes("Percent") ? [row?.percent] : []),
      ...(kind === "median" ? [row?.median] : []),
    ];
    return `<tr><th scope="row" class="l${Math.min(level, 3)}">${escaped(name)}</th>${cells.map(cell).join("")}</tr>`;
  });
  const barOf = (row: ReleaseRow | undefined) => (kind === "median" ? row?.median : row?.count);
  const bars = members
    .filter(({ level }) => level > 0)
    .map(({ key, title: label }) => ({ label, value: barOf(rowOf.get(key)) }));
  const chart = bars.length < 2 ? "" : barChart(id, `${title} by ${dimension?.name}`, unitTexts[unit] ?? "", bars);
  return `${chart}<div class="wide"><table><caption>${escaped(title)} by ${escaped(dimension?.name ?? "whole")}; ${star} is hidden</caption>
<thead><tr><th scope="col">${escaped(dimension?.name ?? "")}</th>${columns.map((name) => `<th scope="col">${escaped(name)}</th>`).join("")}</tr></thead>
<tbody>${rows.join("\n")}</tbody></table></div>`;
}

/** Rows of the first dimension, columns of the second. */
function twoWay(table: ReleaseTable, { title, kind }: Figure): string {
  const [down, across] = table.dimensions;
  if (down === undefined || across === undefined) return "";
  const valueAt = new Map(
    table.rows.map((row) => [
      JSON.stringify([row.at[down.name], row.at[across.name]]),
      kind === "median" ? row.median : row.count,
    ]),
  );
  const rows = down.members.map((member) => {
    const cells = across.members.map(({ key }) => cell(valueAt.get(JSON.stringify([member.key, key]))));
    return `<tr><th scope="row" class="l${Math.min(member.level, 3)}">${escaped(member.title)}</th>${cells.join("")}</tr>`;
  });
  const heads = across.members.map(({ title: name }) => `<th scope="col">${escaped(name)}</th>`);
  return `<div class="wide"><table><caption>${escaped(title)} by ${escaped(down.name)} and ${escaped(across.name)}; ${star} is hidden</caption>
<thead><tr><th scope="col">${escaped(down.name)}</th>${heads.join("")}</tr></thead><tbody>${rows.join("\n")}</tbody></table></div>`;
}

function cell(value: number | null | undefined): string {
  return value === null ? `<td><abbr title="hidden">${star}</abbr></td>` : `<td>${shown(value)}</td>`;
}
