import { BlockList, isIP, isIPv4 } from "node:net";
import type { FastifyRequest } from "fastify";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { pairOf, splitUnquoted } from "./header-text.ts";

/** A host name or address, with or without a port. */
const hostPattern = /^(\[[0-9a-f:.]+\]|[\w.-]+)(:\d{1,5})?$/i;

/** Refuses a Host that is no host (RFC 9112, 3.2): links in the answer would begin with it. */
export function requireHost(request: FastifyRequest): void {
  const { host } = request.headers;
  if (host === undefined || host === "" || hostPattern.test(host)) return;
  throw new RefusedRequest([{ kind: "value", detail: "The Host header is no host name.", status: 400 }]);
}

/**
 * Origin that links begin with: as configured, else as a trusted proxy says the client asked for it, else as this client
 * named it, else where it arrived (HTTP/1.0).
 */
export function originOf(doors: Pick<Doors, "publicBaseUrl" | "trustedProxies">, request: FastifyRequest): string {
  if (doors.publicBaseUrl !== undefined) return doors.publicBaseUrl;
  const { localAddress = "localhost", localPort } = request.socket;
  const arrivedAt = `${localAddress.includes(":") ? `[${localAddress}]` : localAddress}:${localPort}`;
  const { proto, host } = forwardedFor(doors.trustedProxies ?? [], request);
  return `${proto ?? request.protocol}://${host ?? (request.host || arrivedAt)}`;
}

/** Address of whoever asks: as a trusted proxy saw it, else where the connection comes from; empty when that is gone. */
export function clientAddressOf(trusted: readonly string[], request: FastifyRequest): string {
  const { standard, common } = believed(trusted, request);
  const [seen = "", other = seen] = [standard, common].flatMap((hop) => (hop === undefined ? [] : [hop.client]));
  // Where the two contradict each other, one is the client's own invention: then it shares the limit of its proxy.
  return (seen === other && seen) || (request.socket.remoteAddress ?? "");
}

/** How the client reached the outermost proxy that is trusted. */
interface Forwarded {
  readonly proto?: string | undefined;
  readonly host?: string | undefined;
}

function forwardedFor(trusted: readonly string[], request: FastifyRequest): Forwarded {
  const { standard, common } = believed(trusted, request);
  if (standard === undefined || common === undefined) return standard ?? common ?? {};
  // Proxies write one of the two and pass on the other as the client sent it. Which is which cannot be told.
  return standard.proto === common.proto && standard.host === common.host ? standard : {};
}

/** The outermost hop that can be believed of each kind of header; none where the peer is no trusted proxy. */
function believed(trusted: readonly string[], request: FastifyRequest): { standard?: Hop; common?: Hop } {
  if (!isTrusted(trusted, request.socket.remoteAddress ?? "")) return {};
  const standard = outermost(trusted, standardHops(headerOf(request, "forwarded")));
  const common = outermost(trusted, commonHops(request));
  return { ...(standard && { standard }), ...(common && { common }) };
}

interface Hop extends Forwarded {
  readonly client: string;
}

/** Each proxy adds a hop at the end with who came to it; hops before one that is not trusted are hearsay (RFC 7239, 8.1). */
function outermost(trusted: readonly string[], hops: readonly Hop[]): Hop | undefined {
  let at = hops.length - 1;
  while (at > 0 && isTrusted(trusted, hops[at]?.client ?? "")) at -= 1;
  const hop = hops[at];
  if (hop === undefined) return undefined;
  const proto = hop.proto?.toLowerCase();
  return {
    client: hop.client,
    proto: proto === "http" || proto === "https" ? proto : undefined,
    host: isHost(hop.host) ? hop.host : undefined,
  };
}

function isHost(host: string | undefined): host is string {
  if (host === undefined || host.length > 255 || !hostPattern.test(host)) return false;
  return URL.canParse(`http://${host}`);
}

/** `Forwarded: for=192.0.2.60;proto=https;host=gate.example, for="[2001:db8::1]:4711"` (RFC 7239, 4). */
function standardHops(header: string): Hop[] {
  return splitUnquoted(header, ",").map((element) => {
    const pairs = new Map(splitUnquoted(element, ";").map(pairOf));
    return { client: addressOf(pairs.get("for") ?? ""), proto: pairs.get("proto"), host: pairs.get("host") };
  });
}

/** The headers that were common before RFC 7239. A proxy that replaces instead of adding leaves one value for all hops. */
function commonHops(request: FastifyRequest): Hop[] {
  const [clients, protos, hosts] = (["for", "proto", "host"] as const).map((name) =>
    splitUnquoted(headerOf(request, `x-forwarded-${name}`), ","),
  ) as [string[], string[], string[]];
  const count = Math.max(clients.length, protos.length, hosts.length);
  const fromEnd = (values: readonly string[], back: number) => values.at(-back) ?? values[0];
  return Array.from({ length: count }, (_, at) => {
    const back = count - at;
    return {
      client: addressOf(clients.at(-back) ?? ""),
      proto: fromEnd(protos, back),
      host: fromEnd(hosts, back),
    };
  });
}

function headerOf(request: FastifyRequest, name: string): string {
  return [request.headers[name] ?? ""].flat().join(",");
}

/** The address of a node without its port and brackets; empty for hidden and unknown ones. */
function addressOf(node: string): string {
  const bare = /^\[([^\]]*)\]/.exec(node)?.[1] ?? node.replace(/^([\d.]+):\d+$/, "$1");
  return isIP(bare) === 0 ? "" : bare;
}

const lists = new WeakMap<readonly string[], BlockList>();

function isTrusted(trusted: readonly string[], address: string): boolean {
  // A socket that listens on IPv6 shows IPv4 clients as ::ffff:192.0.2.1.
  const plain = address.replace(/^::ffff:(?=\d+\.)/i, "");
  if (trusted.length === 0 || isIP(plain) === 0) return false;
  const known = lists.get(trusted) ?? listOf(trusted);
  lists.set(trusted, known);
  return known.check(plain, isIPv4(plain) ? "ipv4" : "ipv6");
}

function listOf(trusted: readonly string[]): BlockList {
  const list = new BlockList();
  for (const one of trusted) {
    const [address = "", bits] = one.split("/");
    const family = isIPv4(address) ? "ipv4" : "ipv6";
    if (bits === undefined) list.addAddress(address, family);
    else list.addSubnet(address, Number(bits), family);
  }
  return list;
}
