import type { AuditEntry } from "../fhir/audit-event.ts";

/** What a request does, as the trail tells it. */
export type Act = Pick<AuditEntry, "kind" | "action">;

const actions: Readonly<Record<string, AuditEntry["action"]>> = {
  GET: "R",
  HEAD: "R",
  POST: "C",
  PUT: "U",
  PATCH: "U",
  DELETE: "D",
};

/** What a request of this method to a route as it is declared does, if nothing it writes tells it more exactly. */
export function actOf(method: string, route: string): Act {
  const action = actions[method] ?? "E";
  if (route.startsWith("/auth/")) return { kind: "login", action: "E" };
  if (route.startsWith("/api/v1/clients")) return { kind: action === "R" ? "rest" : "access-change", action };
  if (route.startsWith("/api/v1/thresholds") || /^\/api\/v1\/plans\/:\w+\/thresholds/.test(route))
    return { kind: "rest", action };
  if (/^\/api\/v1\/releases\/:number(\.csv|\/page)$/.test(route)) return { kind: "export", action: "R" };
  if (/^\/api\/v1\/releases\/:number\/[\w-]+$/.test(route)) return { kind: "rest", action: "U" };
  if (route.startsWith("/api/v1/releases")) return { kind: "rest", action };
  if (route.endsWith("/content") || route.endsWith("/$everything")) return { kind: "export", action: "R" };
  if (route === "/api/v1/use-records" || route === "/api/v1/hl7v2" || route.endsWith("/replay"))
    return { kind: "upload", action: "C" };
  if (route.endsWith("/secret")) return { kind: "access-change", action: "U" };
  if (route.startsWith("/api/v1/")) return { kind: "dashboard", action };
  if (route.startsWith("/fhir/$import")) return importAct(route, action);
  if (/\/\$export(\/|$)/.test(route)) return exportAct(route, action);
  if (/^\/fhir\/?$/.test(route) && method === "POST") return { kind: "rest", action: "E" };
  if (route.includes("$")) return { kind: "rest", action: "E" };
  return isSearch(method, route) ? { kind: "search", action: "E" } : { kind: "rest", action };
}

/** Beginning one and fetching its files export; asking after it and taking it away do not. */
function exportAct(route: string, action: AuditEntry["action"]): Act {
  if (route.endsWith("/$export")) return { kind: "export", action: "E" };
  return { kind: route.endsWith("/:file") ? "export" : "rest", action };
}

function importAct(route: string, action: AuditEntry["action"]): Act {
  if (route.endsWith("/$import")) return { kind: "upload", action: "C" };
  return { kind: route.endsWith("/:file") ? "export" : "rest", action };
}

/** A search is an execution of a query (https://hl7.org/fhir/R4/valueset-audit-event-action.html). */
function isSearch(method: string, route: string): boolean {
  if (route.endsWith("/_search")) return true;
  return (
    (method === "GET" || method === "HEAD") && /^\/fhir(\/|\/:type|\/:type\/:id\/:member|\/AuditEvent)?$/.test(route)
  );
}
