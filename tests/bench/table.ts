import { cpus, totalmem } from "node:os";
import type { Row } from "./compare.ts";
import type { Found } from "./everything.ts";

/** Everything that was found as Markdown tables, with the machine that it was found on. */
export function printed({ rows, growth, disk, peakMiB }: Found): string {
  const works = rows.map((row) => [
    row.work,
    `${whole(row.ours)} ${row.unit}/s`,
    Number.isFinite(row.raw) ? `${whole(row.raw)}/s` : "–",
    `${row.medianMs} / ${Number.isFinite(row.p99Ms) ? row.p99Ms : "–"}`,
    Number.isFinite(row.rawMedianMs) ? String(row.rawMedianMs) : "–",
    reached(row),
    row.goal,
    row.met ? "yes" : "**no**",
    Number.isFinite(row.statements) ? String(row.statements) : "–",
    row.walBytes > 0 ? whole(row.walBytes) : "–",
  ]);
  const stages = growth.map((stage) => [
    whole(stage.observations),
    whole(stage.uploadSessionsPerSecond),
    String(stage.searchMedianMs),
    whole(stage.reviewsPerSecond),
  ]);
  const ratio = (disk.diskBytes / disk.textBytes).toFixed(2);
  return [
    `${cpus().length} cores (${cpus()[0]?.model.trim()}), ${Math.round(totalmem() / 2 ** 30)} GiB, Node ${process.versions.node}\n`,
    table(
      ["work", "ours", "raw", "p50 / p99 ms", "raw p50", "reached", "goal", "met", "statements", "WAL bytes a unit"],
      works,
    ),
    table(["Observations", "upload, sessions/s", "search p50 ms", "reviews/s"], stages),
    `On disk: ${whole(disk.diskBytes / disk.sessions)} bytes a session, ${ratio} × the JSON text (goal ≤ 2).`,
    `Most memory: service ${peakMiB.service} MiB, bench ${peakMiB.bench} MiB.\n`,
  ].join("\n");
}

function reached({ goal, ratio, ours }: Row): string {
  if (goal.includes("×")) return `${ratio} ×`;
  return goal.includes("%") ? `${Math.round(ratio * 100)} %` : `${whole(ours)}/s`;
}

function whole(value: number): string {
  return Math.round(value).toLocaleString("en-GB");
}

function table(head: readonly string[], rows: readonly (readonly string[])[]): string {
  const line = (cells: readonly string[]) => `| ${cells.join(" | ")} |`;
  return `${[line(head), line(head.map(() => "---")), ...rows.map(line)].join("\n")}\n`;
}
