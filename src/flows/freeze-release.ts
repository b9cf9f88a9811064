import { createHash } from "node:crypto";
import type { KeptRelease } from "../domain/population/kept-release.ts";
import type { ReleaseBody } from "../domain/population/release-body.ts";
import type { MadeRelease } from "../store/release.ts";

/** A release as it is stored for good: its hash is that of exactly these bytes. */
export function frozenRelease(content: ReleaseBody, audit: object, keeping: KeptRelease): MadeRelease {
  const body = JSON.stringify(content);
  return {
    body,
    sha256: createHash("sha256").update(body).digest("hex"),
    audit: JSON.stringify(audit),
    publication: JSON.stringify(keeping),
  };
}
