import { createHmac, timingSafeEqual } from "node:crypto";
import { RefusedRequest } from "./errors.ts";

/** Makes and reads the opaque, signed places that a next page starts from. */
export interface Cursors {
  write(place: unknown): string;
  /** Throws a 400 refusal for anything that this service did not sign. */
  read(text: string): unknown;
}

/** Cursors signed with `key`; they stay good as long as the key does. */
export function cursorsWith(key: Buffer): Cursors {
  const sign = (body: string) => createHmac("sha256", key).update(body).digest().subarray(0, 16);
  return {
    write(place) {
      const body = Buffer.from(JSON.stringify(place)).toString("base64url");
      return `${body}.${sign(body).toString("base64url")}`;
    },
    read(text) {
      const [body = "", signature = ""] = text.split(".");
      const given = Buffer.from(signature, "base64url");
      const right = sign(body);
      if (given.length !== right.length || !timingSafeEqual(given, right)) {
        const detail = "This page link is not one of ours, or no longer. Start again from the first page.";
        throw new RefusedRequest([{ kind: "value", detail, at: "_cursor", status: 400 }]);
      }
      return JSON.parse(Buffer.from(body, "base64url").toString());
    },
  };
}
