import { z } from "zod";
import type { Config } from "./config.ts";
import { placeInFile, readConfiguredJson, unusableFile } from "./configured-file.ts";
import { confidentialities } from "./fhir/confidentiality.ts";
import { type Role, roles } from "./fhir/scopes.ts";
import type { TokenIssuer } from "./flows/external-token.ts";
import { isSafeAddress } from "./flows/kept-answers.ts";
import { signatureAlgorithms } from "./flows/key-set.ts";

const file = { variable: "TOKEN_ISSUERS_FILE", shownIn: "docs/external-issuers.md" };

const mostIssuers = 100;

const addressExpected =
  "an https address without login, ? and #, letter by letter as `iss` of its tokens; http on this very machine only";

const issuerAddress = z
  .string(addressExpected)
  .max(150, "at most 150 characters")
  .refine((text) => isSafeAddress(text) && !/[?#]/.test(text), addressExpected);

const audienceExpected = "what this service is called in `aud` of the tokens";

const tenant = z.string().regex(/^[a-z0-9-]{1,63}$/, "the name of a tenant: lower case letters, digits and hyphens");

const claim = z.string("the name of a claim").min(1, "the name of a claim").max(200, "at most 200 characters");

const entry = z
  .strictObject({
    issuer: issuerAddress,
    audience: z.string(audienceExpected).min(1, audienceExpected).max(1_000, "at most 1000 characters"),
    tenant: tenant.optional(),
    tenantClaim: claim.optional(),
    tenants: z.record(z.string(), tenant).optional(),
    role: z.enum(Object.keys(roles) as [Role, ...Role[]], `one of ${Object.keys(roles).join(", ")}`),
    confidentiality: z.enum(confidentialities, `one of ${confidentialities.join(", ")}`).optional(),
    patientClaim: claim.optional(),
    organizationClaim: claim.optional(),
    algorithms: z
      .array(
        z.enum(
          signatureAlgorithms,
          `one of ${signatureAlgorithms.join(", ")}; a token signed with a shared secret, or not at all, is never taken`,
        ),
      )
      .min(1, "at least one algorithm, or leave it out")
      .optional(),
  })
  .superRefine((one, context) => {
    const refuse = (at: string, message: string) => context.addIssue({ code: "custom", path: [at], message });
    if (one.tenant === undefined && (one.tenantClaim === undefined || Object.keys(one.tenants ?? {}).length === 0)) {
      refuse("tenant", "give tenant, or tenantClaim with tenants (which value of the claim is which tenant)");
    }
    if (one.tenant !== undefined && (one.tenantClaim !== undefined || one.tenants !== undefined)) {
      refuse("tenant", "leave it out, or leave out tenantClaim and tenants: two answers to one question");
    }
    if (one.patientClaim !== undefined && one.organizationClaim !== undefined) {
      refuse("patientClaim", "leave it out, or leave out organizationClaim: a token is bound to one of the two");
    }
    if ((one.patientClaim ?? one.organizationClaim) !== undefined && one.role !== "dashboard") {
      refuse("role", "dashboard: tokens that are bound to some people only read");
    }
  });

const list = z
  .array(entry, "a list of issuers: [ { … } ]")
  .max(mostIssuers, `at most ${mostIssuers} entries`)
  .superRefine((entries, context) => {
    const seen = new Set<string>();
    for (const [i, { issuer, audience }] of entries.entries()) {
      const key = JSON.stringify([issuer, audience]);
      if (seen.has(key)) {
        const message = "another entry has this issuer and this audience: give each role an audience of its own";
        context.addIssue({ code: "custom", path: [i, "audience"], message });
      }
      seen.add(key);
    }
  });

/**
 * Reads the issuers whose tokens are taken besides our own; none where no file is configured. Throws with one line for each
 * thing that is wrong: the variable, the file, the place in it, and what is expected there.
 */
export async function readTokenIssuers(config: Pick<Config, "TOKEN_ISSUERS_FILE">): Promise<TokenIssuer[]> {
  const { TOKEN_ISSUERS_FILE: path } = config;
  if (path === undefined) return [];
  const read = list.safeParse(await readConfiguredJson({ ...file, path: path }));
  if (read.success) return read.data.map(issuerOf);
  throw unusableFile(
    { ...file, path },
    read.error.issues.map(({ path, message }) => `${placeInFile(path)}: ${message}`),
  );
}

function issuerOf(one: z.infer<typeof entry>): TokenIssuer {
  const {
    tenant,
    tenantClaim = "",
    tenants = {},
    algorithms,
    patientClaim,
    organizationClaim,
    confidentiality,
    ...rest
  } = one;
  return {
    ...rest,
    tenant: tenant ?? { claim: tenantClaim, slugs: new Map(Object.entries(tenants)) },
    algorithms: algorithms ?? signatureAlgorithms,
    ...(confidentiality === undefined ? {} : { confidentiality }),
    ...(patientClaim === undefined ? {} : { patientClaim }),
    ...(organizationClaim === undefined ? {} : { organizationClaim }),
  };
}
