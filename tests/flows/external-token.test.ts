import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { scopeText } from "../../src/fhir/scopes.ts";
import { externalTokens, type TokenIssuer } from "../../src/flows/external-token.ts";
import { configured, externalToken, issuerKey, type TestIssuer, testIssuer } from "../support/issuer.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;
let issuer: TestIssuer;

beforeAll(async () => {
  here = await testService("2026-06-10T12:00:00Z");
  issuer = await testIssuer(await issuerKey());
  const organization = (id: string, above?: string) => ({
    resourceType: "Organization",
    id,
    name: id,
    ...(above === undefined ? {} : { partOf: { reference: `Organization/${above}` } }),
  });
  await put(here, organization("trust"), organization("hospital", "trust"), organization("ward", "hospital"));
});

afterAll(async () => {
  await here.close();
  await issuer.down();
});

/** What a token grants; undefined where it is refused. */
async function granted(claims: Record<string, unknown>, over: Partial<TokenIssuer> = {}) {
  const checked = await externalTokens(here.service, [configured(issuer, over)])(
    await externalToken(issuer, here.clock.at, claims),
  );
  return checked === undefined || "refused" in checked ? undefined : checked;
}

async function scopesOf(scope: string, over: Partial<TokenIssuer> = {}): Promise<string[] | undefined> {
  return (await granted({ scope }, over))?.scopes.map(scopeText);
}

test("a client is named in the audit trail behind its issuer, in few and plain characters", async () => {
  const nameOf = async (claims: Record<string, unknown>) => (await granted(claims))?.clientId;
  const { host } = new URL(issuer.issuer);
  expect(await nameOf({})).toBe(`${host}/engine`);
  expect(await nameOf({ client_id: undefined, azp: "test.AAAAAAAAAAAAAAAA" })).toBe(`${host}/test.AAAAAAAAAAAAAAAA`);
  expect(await nameOf({ client_id: "", sub: "a b/ü\n" })).toBe(`${host}/a%20b%2F%C3%BC%0A`);
  const [long, longer] = [await nameOf({ client_id: "x".repeat(500) }), await nameOf({ client_id: "x".repeat(501) })];
  expect(long).toMatch(/^[\w.:/~%-]{1,200}$/);
  expect(long).not.toBe(longer);
});

describe("a token allows what it asks for, as far as a registered client like it may have it", () => {
  test("with the clearance and the place of its role", async () => {
    expect(await granted({})).toMatchObject({ tenantId: here.tenantId, confidentiality: "V", keepsRecord: true });
    const dashboard = await granted({}, { role: "dashboard" });
    expect(dashboard).toMatchObject({ confidentiality: "N", keepsRecord: false });
  });

  test("from which some records are withheld, it writes Tasks at most", async () => {
    expect(await scopesOf("system/*.cruds", { confidentiality: "R" })).toEqual(["system/*.rs", "system/Task.u"]);
  });

  test("bound to some people, it reads", async () => {
    const bound = { role: "dashboard", patientClaim: "sub" } as const;
    expect(await scopesOf("system/*.cruds tidegate/*.cruds", bound)).toEqual(["system/*.rs", "tidegate/dashboard.r"]);
  });

  test("breaks the glass only where it says so", async () => {
    expect(await scopesOf("tidegate/*.cruds")).not.toContain("tidegate/break-glass.c");
    expect(await scopesOf("tidegate/*.cruds tidegate/break-glass.c")).toContain("tidegate/break-glass.c");
    expect(await scopesOf("tidegate/break-glass.c", { role: "commissioner" })).toEqual([]);
  });

  test("for the people of its organisation and below, and it belongs to those above", async () => {
    const grant = await granted({ sub: "hospital" }, { role: "dashboard", organizationClaim: "sub" });
    expect(grant?.organizationIds).toEqual(["hospital", "ward"]);
    expect(grant?.organizationsAbove).toEqual(["hospital", "trust"]);
  });
});
