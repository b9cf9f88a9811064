import { createHmac, timingSafeEqual } from "node:crypto";
import { RefusedRequest } from "./errors.ts";

/**
 * Makes and reads the opaque, signed places that a next page starts from. `list` says which list the place lies in –
 * whose, and in which order – and is signed with it: a place means nothing in any other list.
 */
export interface Cursors {
  write(list: readonly unknown[], place: unknown): string;
  /** Throws a 400 refusal for anything that this service did not sign for this list. */
  read(list: readonly unknown[], text: string): unknown;
}

/** Cursors signed with `key`; they stay good as long as the key does. */
export function cursorsWith(key: Buffer): Cursors {
  const sign = (list: readonly unknown[], body: string) =>
    createHmac("sha256", key)
      .update(`${JSON.stringify(list)}\n${body}`)
      .digest()
      .subarray(0, 16);
  return {
    write(list, place) {
      const body = Buffer.from(JSON.stringify(place)).toString("base64url");
      return `${body}.${sign(list, body).toString("base64url")}`;
    },
    read(list, text) {
      const [body = "", signature = ""] = text.split(".");
      const given = Buffer.from(signature, "base64url");
      const right = sign(list, body);
      if (given.length !== right.length || !timingSafeEqual(given, right)) {
        const detail =
          "This page link is not one of ours for this list, or no longer. Start again from the first page.";
        throw new RefusedRequest([{ kind: "value", detail, status: 400 }]);
      }
      return JSON.parse(Buffer.from(body, "base64url").toString());
    },
  };
}
