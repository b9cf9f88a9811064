import { ceilingOf, type Role, roles, scopeText } from "../fhir/scopes.ts";
import { needsOf, routeNeeds, unmet } from "./needs.ts";

const roleNames = Object.keys(roles) as Role[];

/** The types for which a role passes a route: `yes` where the route names none or each passes. */
function cellOf(texts: readonly string[], role: Role, types: readonly string[]): string {
  const scopes = ceilingOf(role);
  const passes = (type: string) => unmet(scopes, needsOf(texts, { type, member: type })) === undefined;
  if (!texts.some((text) => text.includes(":"))) return passes("") ? "yes" : "–";
  const passing = types.filter(passes);
  if (passing.length === types.length) return "yes";
  return passing.length === 0 ? "–" : passing.join(", ");
}

/**
 * Which role may do what at most, as a document in Markdown: made of the very table that the doors ask.
 * `types` are the resource types that are served.
 */
export function accessMatrix(types: readonly string[]): string {
  const rows = Object.entries(routeNeeds).map(([route, texts]) => {
    const needs =
      texts.length === 0
        ? "a valid token; what is asked settles the rest"
        : texts.map((text) => `\`${text}\``).join(" ");
    return `| \`${route}\` | ${needs} | ${roleNames.map((role) => cellOf(texts, role, types)).join(" | ")} |`;
  });
  return `# Who may do what

*Made by \`npm run openapi\` from \`src/http/needs.ts\`, the table that the doors themselves ask; a test calls every cell.*

A client is registered with a role and with scopes; the role is the most that its scopes may be. A token holds what was asked
for of the client's scopes, for five minutes. A client without \`system/*.rs\` reads through a confinement that the database
itself holds: resources of other types do not show in its searches, includes, chains and histories.

Below the clearance V a client reads and updates Tasks, and writes nothing else of the record; what is labelled above its clearance,
and what a Consent denies it, is not there for it ([decision 7](decisions/0007-labels-consent-and-break-glass.md)). With \`tidegate/break-glass.c\`, which no
client has that was not registered for it by name, the header \`Break-Glass: <reason of 10 to 500 characters>\` lifts both for one
request that only reads.

| Role | At most |
|---|---|
${roleNames
  .map(
    (role) =>
      `| ${role} | ${ceilingOf(role)
        .map((scope) => `\`${scopeText(scope).replace("|", "\\|")}\``)
        .join(" ")} |`,
  )
  .join("\n")}

Without a token: \`GET /fhir/metadata\`, \`GET /fhir/.well-known/smart-configuration\`, \`/health\`, \`/docs\`, and \`/auth\`, which
asks for a signed assertion or a token of its own. Tokens of \`ACCESS_TOKENS\` open every door of their tenant.

\`:type\` and \`:member\` are the resource type that the address names; a cell names the types for which the role passes where it
does not pass for each.

| Route | Needs | ${roleNames.join(" | ")} |
|---|---|${roleNames.map(() => "---|").join("")}
${rows.join("\n")}

Besides: an entry of a Bundle needs what it would need alone; an export needs \`system/:type.rs\` of each type and no scope with a
limit; an import needs \`system/:type.cu\` of each of its lines (\`c\` where it brings no id); a create with \`If-None-Exist\` needs \`system/:type.crs\`; an update of what is not there needs \`system/:type.c\` as well;
a search inside a transaction needs \`system/*.s\`.
`;
}
