/** What the service lets near its doors. */
export interface EdgeSettings {
  /** Origins of pages that may ask from a browser, such as `https://dashboard.example`; none means no page may. */
  readonly corsOrigins: readonly string[];
  /** Requests that one client may send in a minute; 0 counts nobody. */
  readonly requestsPerMinute: number;
  /** Connections at once; one more is closed as it comes. */
  readonly maxConnections: number;
  /** Absent where a proxy speaks TLS for the service. */
  readonly tls?: TlsPair;
  /** Where a slow client is given other times than the usual. */
  readonly patience?: Partial<Patience>;
}

/** A certificate, with those that vouch for it, and its private key: PEM texts. */
export interface TlsPair {
  readonly certificate: string;
  readonly key: string;
}

/** Milliseconds that a client may take. */
export interface Patience {
  /** From the first byte of a request to the end of its headers. */
  readonly headersMs: number;
  /** From the first byte of a request to the end of its body. */
  readonly requestMs: number;
  /** How often both are looked at: Node's own 30 seconds would give a slow client thrice its time. */
  readonly checkEveryMs: number;
}
