import { lookup } from "node:dns/promises";
import { BlockList, isIP } from "node:net";
import type { NotificationSettings } from "../flows/notification-settings.ts";

/** Why an endpoint is not told: words of ours that say what to do. */
export class UnfitEndpoint extends Error {}

/** Finds all addresses of a name, as the system does. */
export type Resolve = (host: string) => Promise<readonly string[]>;

/**
 * Addresses that are nobody's outside: this machine and network, private, link-local (metadata services of clouds), shared,
 * reserved, documentation, benchmarking, multicast (https://www.iana.org/assignments/iana-ipv4-special-registry and
 * https://www.iana.org/assignments/iana-ipv6-special-registry), and those of IPv6 that carry an address of IPv4 inside.
 */
const special: readonly string[] = [
  "0.0.0.0/8",
  "10.0.0.0/8",
  "100.64.0.0/10",
  "127.0.0.0/8",
  "169.254.0.0/16",
  "172.16.0.0/12",
  "192.0.0.0/24",
  "192.0.2.0/24",
  "192.88.99.0/24",
  "192.168.0.0/16",
  "198.18.0.0/15",
  "198.51.100.0/24",
  "203.0.113.0/24",
  "224.0.0.0/4",
  "240.0.0.0/4",
  // Of IPv6 only the addresses of the world (2000::/3) are left, without these of it.
  "::/3",
  "4000::/2",
  "8000::/1",
  "2001::/23",
  "2001:db8::/32",
  "2002::/16",
  "3fff::/20",
];

const outsideNothing = listsOf(special);

type Family = "ipv4" | "ipv6";

function familyOf(address: string): Family {
  return isIP(address) === 6 ? "ipv6" : "ipv4";
}

/** One list for each family: in a common one, ::/3 would hold every address of IPv4 as well. */
function listsOf(networks: readonly string[]): Readonly<Record<Family, BlockList>> {
  const lists = { ipv4: new BlockList(), ipv6: new BlockList() };
  for (const network of networks) {
    const [address = "", bits] = network.split("/");
    const family = familyOf(address);
    lists[family].addSubnet(address, Number(bits ?? (family === "ipv6" ? 128 : 32)), family);
  }
  return lists;
}

function includes(lists: Readonly<Record<Family, BlockList>>, address: string): boolean {
  const family = familyOf(address);
  return lists[family].check(address, family);
}

/** Whether an address is on this very machine. */
function isLoopback(address: string): boolean {
  return address === "::1" || /^127\./.test(address);
}

/** Whether an address may be told. An IPv4 address inside one of IPv6 (::ffff:10.0.0.1) is refused with all that is not 2000::/3. */
export function mayReach(
  address: string,
  { privateNetworks, loopback }: Pick<NotificationSettings, "privateNetworks" | "loopback">,
): boolean {
  if (isIP(address) === 0) return false;
  if (isLoopback(address)) return loopback;
  return !includes(outsideNothing, address) || includes(listsOf(privateNetworks), address);
}

/**
 * Checks how an endpoint is written, before anybody is asked for its addresses: https, no login, no fragment, a host of the list.
 * http only to this very machine where that is allowed. Answers what to do about it; undefined where it will do.
 */
export function endpointProblem(endpoint: string, settings: NotificationSettings): string | undefined {
  if (endpoint.length > 1_000 || !URL.canParse(endpoint)) return "The endpoint is an https address.";
  // Numbers written in other ways (0x7f.1, 2130706433, 0177.0.0.1) are made plain here.
  const { protocol, hostname, username, password, hash } = new URL(endpoint);
  const host = hostname.replace(/^\[|\]$/g, "");
  if (username !== "" || password !== "" || hash !== "")
    return "The endpoint is an address without a login and without #.";
  const isHere = host === "localhost" || isLoopback(host);
  if (isHere && !settings.loopback) return "The endpoint is on the service's own machine, which is not told anything.";
  if (protocol !== "https:" && !(protocol === "http:" && isHere)) return "The endpoint is an https address.";
  if (isIP(host) !== 0 && !mayReach(host, settings)) return "The endpoint is at a private or reserved address.";
  if (!isHere && !settings.hosts.some((pattern) => isHost(host, pattern))) {
    return "The endpoint's host is not in the list of hosts that may be told (NOTIFY_HOSTS). Have it added by whoever runs the service.";
  }
  return undefined;
}

function isHost(host: string, pattern: string): boolean {
  const wanted = pattern.toLowerCase();
  return wanted.startsWith("*.") ? host.endsWith(wanted.slice(1)) && host.length > wanted.length - 1 : host === wanted;
}

/**
 * The address to connect to, asked for once: who connects by name would ask again, and could get another answer. Throws
 * UnfitEndpoint where any of the addresses of the name may not be told.
 */
export async function addressOf(
  endpoint: string,
  settings: NotificationSettings,
  resolve: Resolve = resolveHost,
): Promise<string> {
  const problem = endpointProblem(endpoint, settings);
  if (problem !== undefined) throw new UnfitEndpoint(problem);
  const host = new URL(endpoint).hostname.replace(/^\[|\]$/g, "");
  const addresses = isIP(host) === 0 ? await resolve(host) : [host];
  if (addresses.length === 0) throw new UnfitEndpoint("The endpoint's host has no address.");
  if (!addresses.every((address) => mayReach(address, settings))) {
    throw new UnfitEndpoint("The endpoint's host has a private or reserved address.");
  }
  return addresses[0] ?? "";
}

async function resolveHost(host: string): Promise<readonly string[]> {
  try {
    return (await lookup(host, { all: true })).map(({ address }) => address);
  } catch {
    return [];
  }
}
