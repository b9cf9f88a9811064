import { cpus, totalmem } from "node:os";
import type { Row } from "./compare.ts";
import type { Found } from "./everything.ts";

/** Everything that was found as Markdown tables, with the machine that it was found on. */
export function printed({ rows, growth, disk, marks, peakMiB }: Found): string {
  const works = rows.map((row) => [
    row.work,
    `${whole(row.ours)} ${row.unit}/s`,
    Number.isFinite(row.raw) ? `${whole(row.raw)}/s` : "–",
    `${known(row.medianMs)} / ${known(row.p99Ms)}`,
    known(row.rawMedianMs),
    reached(row),
    row.goal,
    row.met ? "yes" : "**no**",
    known(row.statements),
    row.walBytes > 0 ? whole(row.walBytes) : "–",
  ]);
  const stages = growth.map((stage) => [
    whole(stage.observations),
    whole(stage.uploadSessionsPerSecond),
    String(stage.searchMedianMs),
    whole(stage.reviewsPerSecond),
  ]);
  const onDisk = {
    what: `on disk for a session, ${whole(disk.diskBytes / disk.sessions)} bytes`,
    found: Number((disk.diskBytes / disk.textBytes).toFixed(2)),
    ...{ atMost: 2, unit: "× its JSON text" },
  };
  const beside = [onDisk, ...marks].map(({ what, found, atMost, unit }) => [
    ...[what, `${found} ${unit}`, `≤ ${atMost} ${unit}`],
    found <= atMost ? "yes" : "**no**",
  ]);
  return [
    `${cpus().length} cores (${cpus()[0]?.model.trim()}), ${Math.round(totalmem() / 2 ** 30)} GiB, Node ${process.versions.node}\n`,
    table(
      ["work", "ours", "raw", "p50 / p99 ms", "raw p50", "reached", "goal", "met", "statements", "WAL bytes a unit"],
      works,
    ),
    table(["Observations", "upload, sessions/s", "search p50 ms", "reviews/s"], stages),
    table(["what", "found", "goal", "met"], beside),
    `Most memory: service ${peakMiB.service} MiB, bench ${peakMiB.bench} MiB.\n`,
  ].join("\n");
}

function reached({ goal, ratio, ours }: Row): string {
  if (goal.includes("×")) return `${ratio} ×`;
  return goal.includes("%") ? `${Math.round(ratio * 100)} %` : `${whole(ours)}/s`;
}

function known(value: number): string {
  return Number.isFinite(value) ? String(value) : "–";
}

function whole(value: number): string {
  return Math.round(value).toLocaleString("en-GB");
}

function table(head: readonly string[], rows: readonly (readonly string[])[]): string {
  const line = (cells: readonly string[]) => `| ${cells.join(" | ")} |`;
  return `${[line(head), line(head.map(() => "---")), ...rows.map(line)].join("\n")}\n`;
}
