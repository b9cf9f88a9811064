import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { saveChunk, saveFile } from "../store/bulk-file.ts";
import { deleteBulkJob, endReceiving, lookAtBulk, queueBulk } from "../store/bulk-job.ts";
import { inTenant } from "../store/database.ts";
import { type Asking, addJob, refuseTooMany, type TooMany } from "./bulk-jobs.ts";
import type { BulkLimits } from "./bulk-limits.ts";
import { orSuperseded, startPulse, storingPieces, workingOnBulk } from "./bulk-pulse.ts";
import { ndjsonWriter } from "./ndjson-writer.ts";
import type { Service } from "./service.ts";

/** Name of the file that an import was given. */
export const sourceFile = "source";

/**
 * Keeps the lines of an import as they arrive, and queues the work on them once all are here; what breaks off before is taken
 * away. `quiet` stores what arrives, `service` begins the work: its transaction brings the request's entry into the trail.
 */
export async function receiveImport(
  { service, quiet }: { readonly service: Service; readonly quiet: Service },
  tenantId: number,
  lines: AsyncIterable<Buffer>,
  asking: Asking,
): Promise<Result<string | TooMany>> {
  const begun = await inTenant(quiet.database, tenantId, async (session) => {
    const full = await refuseTooMany(service, session, asking.grant.clientId);
    return full ?? (await addJob(service, session, { kind: "import", state: "receiving", asked: {}, asking }));
  });
  if (typeof begun !== "string") return accepted(begun);
  const place = { jobId: begun, attempt: 0 };
  const pulse = startPulse(quiet, tenantId, place);
  try {
    const kept = await keep(quiet, tenantId, place, lines);
    if (!kept.ok) {
      await workingOnBulk(quiet, tenantId, (session) => deleteBulkJob(session, begun));
      return kept;
    }
    await inTenant(service.database, tenantId, async (session) => {
      await lookAtBulk(session, asking.grant.clientId);
      orSuperseded(await endReceiving(session, begun, JSON.stringify({ lines: kept.value })));
      await queueBulk(session, begun);
    });
    return accepted(begun);
  } catch (error) {
    await workingOnBulk(quiet, tenantId, (session) => deleteBulkJob(session, begun));
    throw error;
  } finally {
    pulse.stop();
  }
}

async function keep(
  service: Service,
  tenantId: number,
  place: { readonly jobId: string; readonly attempt: number },
  lines: AsyncIterable<Buffer>,
): Promise<Result<number>> {
  const writer = ndjsonWriter(async (chunk) =>
    orSuperseded(await storingPieces(service, tenantId, (session) => saveChunk(session, place, 0, sourceFile, chunk))),
  );
  const count = lineCounter(service.limits.bulk);
  for await (const piece of lines) {
    const excess = count.add(piece);
    if (excess !== undefined) return refused(excess);
    await writer.write(piece);
  }
  // A last line needs no break; in the file it has one.
  if (count.inLine > 0) await writer.write(Buffer.from("\n"));
  const written = await writer.end();
  if (written.bytes === 0) {
    const detail = "The body is empty. Send resources as NDJSON, one a line.";
    return refused({ kind: "structure", detail, status: 400 });
  }
  const file = { name: sourceFile, role: "source", type: "Resource", ...written } as const;
  await workingOnBulk(service, tenantId, (session) => saveFile(session, place, file));
  return accepted(written.lines);
}

/** Counts what arrives, and refuses what is more than the bounds let in. */
function lineCounter({ importBytes, importLines, lineBytes }: BulkLimits) {
  let [bytes, lines, inLine] = [0, 0, 0];
  const tooLong = (detail: string): Refusal => ({ kind: "too-long", detail, status: 413 });
  return {
    get inLine() {
      return inLine;
    },
    add(piece: Buffer): Refusal | undefined {
      bytes += piece.length;
      let from = 0;
      for (let at = piece.indexOf(10); at >= 0; at = piece.indexOf(10, from)) {
        lines += 1;
        inLine += at - from;
        if (inLine > lineBytes)
          return tooLong(`Line ${lines} is longer than ${lineBytes} bytes. Send it alone by PUT.`);
        inLine = 0;
        from = at + 1;
      }
      inLine += piece.length - from;
      if (inLine > lineBytes)
        return tooLong(`Line ${lines + 1} is longer than ${lineBytes} bytes. Send it alone by PUT.`);
      if (bytes > importBytes) return tooLong(`An import has at most ${importBytes} bytes. Send it in several.`);
      if (lines > importLines) return tooLong(`An import has at most ${importLines} lines. Send it in several.`);
      return undefined;
    },
  };
}
