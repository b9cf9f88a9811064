import { escaped } from "./html-text.ts";

/** One bar: a figure that may be hidden (null), or of which there is none (undefined). */
export interface Bar {
  readonly label: string;
  readonly value: number | null | undefined;
}

const width = 640;
const labelWidth = 250;
const valueWidth = 70;
const rowHeight = 26;
const mostLabel = 32;

/**
 * Horizontal bars as SVG, without script and without styles of its own. Whoever cannot see it is read title and description,
 * which says every value; a hidden figure is an outlined stump with a star, never a bar of some length.
 */
export function barChart(id: string, title: string, unit: string, bars: readonly Bar[]): string {
  const greatest = bars.reduce((most, { value }) => Math.max(most, value ?? 0), 0);
  const room = width - labelWidth - valueWidth;
  const height = bars.length * rowHeight + 4;
  const description = bars.map(({ label, value }) => `${label}: ${spoken(value, unit)}`).join("; ");
  const rows = bars.map(({ label, value }, index) => {
    const y = index * rowHeight + 2;
    const long = greatest === 0 ? 0 : Math.round((room * (value ?? 0) * 10) / greatest) / 10;
    const bar =
      value === null
        ? `<rect class="hidden-bar" x="${labelWidth}.5" y="${y + 4}.5" width="14" height="${rowHeight - 10}"/>`
        : `<rect class="bar" x="${labelWidth}" y="${y + 4}" width="${long}" height="${rowHeight - 9}"/>`;
    const end = labelWidth + (value === null ? 15 : long) + 8;
    const text = (x: number, anchor: string, words: string) =>
      `<text x="${x}" y="${y + rowHeight / 2 + 4}" text-anchor="${anchor}">${escaped(words)}</text>`;
    return bar + text(labelWidth - 10, "end", shortened(label)) + text(end, "start", written(value, unit));
  });
  return `<svg role="img" aria-labelledby="${id}-t ${id}-d" viewBox="0 0 ${width} ${height}" width="${width}" height="${height}">
<title id="${id}-t">${escaped(title)}</title><desc id="${id}-d">${escaped(description)}</desc>
<line class="axis" x1="${labelWidth}" y1="0" x2="${labelWidth}" y2="${height}"/>
${rows.join("\n")}
</svg>`;
}

function shortened(label: string): string {
  const letters = [...label];
  return letters.length <= mostLabel ? label : `${letters.slice(0, mostLabel - 1).join("")}…`;
}

function written(value: Bar["value"], unit: string): string {
  if (value === undefined) return "–";
  return value === null ? "*" : `${value}${unit}`;
}

function spoken(value: Bar["value"], unit: string): string {
  if (value === undefined) return "none to tell of";
  return value === null ? "hidden" : `${value}${unit}`;
}
