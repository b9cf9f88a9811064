import { z } from "zod";
import type { Config } from "./config.ts";
import { placeInFile, readConfiguredJson, unusableFile } from "./configured-file.ts";
import { checkDigits } from "./domain/check-digit/check-digits.ts";
import type { AuthorityRule } from "./domain/identifier-authority.ts";
import type { MessageSender } from "./flows/message-sender.ts";
import { defaultMessageSettings, type MessageSettings } from "./flows/message-settings.ts";
import { characterSets } from "./intake/hl7v2/charset.ts";

const file = { variable: "HL7V2_FILE", shownIn: "docs/hl7v2.md" };

/** How messages are read, and who stands behind senders without a token. */
export interface MessageFile {
  readonly settings: MessageSettings;
  readonly senders: readonly MessageSender[];
}

const word = z.string().min(1).max(200);
const names = Object.keys(checkDigits) as [keyof typeof checkDigits, ...(keyof typeof checkDigits)[]];

const place = {
  namespace: word.optional(),
  universalId: word.optional(),
  system: z.string().regex(/^[a-z][a-z0-9+.-]*:\S+$/i, "a URI: the Identifier.system of what this authority gives"),
};

const named = (one: { namespace?: string | undefined; universalId?: string | undefined }) =>
  one.namespace !== undefined || one.universalId !== undefined;
const nameExpected = "give namespace (CX-4.1), universalId (CX-4.2) or both";

const schema = z.strictObject({
  senders: z
    .array(
      z.strictObject({
        facility: word,
        application: word,
        client: z.string().regex(/^[a-z0-9-]{1,63}\.[\w-]{1,80}$/, "the id of a registered client, such as demo.x7k2…"),
        commonName: word.optional(),
      }),
    )
    .max(1_000)
    .optional(),
  authorities: z
    .array(
      z
        .strictObject({
          ...place,
          trust: z.enum(["certain", "claimed"], "certain (names one person for good) or claimed"),
          checkDigit: z.enum(names, `one of ${names.join(", ")}`).optional(),
        })
        .refine(named, nameExpected),
    )
    .max(1_000)
    .optional(),
  deviceAuthorities: z.array(z.strictObject(place).refine(named, nameExpected)).max(1_000).optional(),
  unnamedCharacterSet: z.enum(characterSets as [string, ...string[]], `one of ${characterSets.join(", ")}`).optional(),
  processingIds: z
    .array(z.enum(["P", "T", "D"], "P, T or D"))
    .min(1)
    .optional(),
  duplicateScore: z.number("a score from 0.5 to 1").min(0.5).max(1).optional(),
  unverifiedResults: z.enum(["skip", "preliminary"], "skip or preliminary").optional(),
});

/**
 * Reads the file that HL7V2_FILE names; without one every number is claimed only and nobody comes in by MLLP. Throws with one
 * line for each thing that is wrong: the variable, the file, the place in it, and what is expected there.
 */
export async function readMessageFile(config: Pick<Config, "HL7V2_FILE">): Promise<MessageFile> {
  const { HL7V2_FILE: path } = config;
  if (path === undefined) return { settings: defaultMessageSettings, senders: [] };
  const read = schema.safeParse(await readConfiguredJson({ ...file, path: path }));
  if (read.success) return fileOf(read.data);
  throw unusableFile(
    { ...file, path },
    read.error.issues.map((issue) => `${placeInFile(issue.path)}: ${issue.message}`),
  );
}

function fileOf(given: z.infer<typeof schema>): MessageFile {
  const { senders = [], authorities = [], deviceAuthorities = [], unnamedCharacterSet, processingIds } = given;
  const without = <T extends object>(one: T) =>
    Object.fromEntries(Object.entries(one).filter(([, value]) => value !== undefined)) as T;
  return {
    senders: senders.map(({ client, commonName, ...rest }) => ({
      ...rest,
      clientId: client,
      ...(commonName === undefined ? {} : { commonName }),
    })),
    settings: {
      authorities: authorities.map((one) => without(one) as AuthorityRule),
      deviceAuthorities: deviceAuthorities.map((one) => ({ ...without(one), trust: "certain" }) as AuthorityRule),
      processingIds: processingIds ?? defaultMessageSettings.processingIds,
      results: { unverified: given.unverifiedResults ?? defaultMessageSettings.results.unverified },
      duplicateScore: given.duplicateScore ?? defaultMessageSettings.duplicateScore,
      ...(unnamedCharacterSet === undefined
        ? {}
        : { unnamedCharacterSet: unnamedCharacterSet as NonNullable<MessageSettings["unnamedCharacterSet"]> }),
    },
  };
}
