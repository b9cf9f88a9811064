import type { Topic } from "../fhir/subscription-topics.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import {
  eventBounds,
  eventsSince,
  gapMark,
  hasUnnumbered,
  numberEvents,
  type ResourceEvent,
  watchEvents,
} from "../store/event.ts";
import { referenceOf } from "../store/resource.ts";
import { matching } from "./match-events.ts";
import type { Service } from "./service.ts";

/** Bounds on the streams of one process. */
export interface StreamSettings {
  readonly most: number;
  readonly mostOfClient: number;
  readonly pollMs: number;
  /** How often a stream that has nothing to say shows that it lives, and is asked whether its token still holds. */
  readonly heartbeatMs: number;
}

export const defaultStreamSettings: StreamSettings = {
  most: 100,
  mostOfClient: 10,
  pollMs: 1_000,
  heartbeatMs: 15_000,
};

/** Who opens a stream, and from where on. */
export interface Listener {
  readonly tenantId: number;
  readonly clientId: string;
  readonly topics: readonly Topic[];
  /** The last event that it knows; those from now on where absent. */
  readonly afterNumber?: number;
  /** The service as its token sees it now; undefined where the token is over. */
  stillGranted(): Promise<Service | undefined>;
}

/** Where a stream is written to. */
export interface StreamOut {
  write(text: string): void;
  end(): void;
  /** Bytes that nobody has read yet. */
  waitingBytes(): number;
  /** Calls back when nobody reads any more. */
  onClose(closed: () => void): void;
}

/** Streams of events (https://html.spec.whatwg.org/multipage/server-sent-events.html), all fed by one question a second. */
export interface EventStreams {
  /** Opens one; false where there are too many. */
  open(listener: Listener, seen: Service, out: StreamOut): Promise<boolean>;
  /** Ends all of them, and lets none be opened. */
  close(): Promise<void>;
}

interface Stream extends Listener {
  readonly out: StreamOut;
  seen: Service;
  last: number;
  /** When it was last asked whether its token holds. */
  heartbeatMs: number;
}

const eventsAPoll = 500;
/** A reader that leaves so many bytes lying is too slow, and comes back with the number of its last event. */
const mostWaitingBytes = 262_144;
/** A tenant's writes are noted so long after it was last asked for, which is asked again in good time. */
const [watchSeconds, watchAgainMs] = [3_600, 30_000];

/** Opens streams on a service. It asks nothing while nobody listens. */
export function eventStreams(
  service: Service,
  settings: StreamSettings = defaultStreamSettings,
  isClosing: () => boolean = () => false,
): EventStreams {
  const streams = new Set<Stream>();
  let timer: NodeJS.Timeout | undefined;
  let polling = Promise.resolve();
  let isOver = false;

  const end = (stream: Stream) => {
    streams.delete(stream);
    stream.out.end();
    if (streams.size === 0 && timer !== undefined) {
      clearTimeout(timer);
      timer = undefined;
    }
  };

  const schedule = () => {
    timer = setTimeout(() => {
      polling = poll(service, settings, streams, end, isClosing)
        .catch((error: unknown) => {
          service.log.warn({ code: (error as { code?: string }).code }, "events could not be read; asking again");
        })
        .then(() => {
          timer = undefined;
          if (streams.size > 0 && !isOver) schedule();
        });
    }, settings.pollMs);
  };

  return {
    async open(listener, seen, out) {
      const ofClient = [...streams].filter(
        ({ tenantId, clientId }) => tenantId === listener.tenantId && clientId === listener.clientId,
      );
      if (isOver || streams.size >= settings.most || ofClient.length >= settings.mostOfClient) return false;
      const stream: Stream = { ...listener, out, seen, last: Number.POSITIVE_INFINITY, heartbeatMs: service.now() };
      streams.add(stream);
      out.onClose(() => end(stream));
      try {
        const { last, oldest } = await begin(service, listener.tenantId);
        const { afterNumber } = listener;
        stream.last = afterNumber === undefined ? last : Math.min(last, Math.max(afterNumber, oldest - 1));
        out.write("retry: 3000\n\n");
        if (afterNumber !== undefined && afterNumber < oldest - 1) tellGap(out, afterNumber + 1, oldest - 1);
        out.write(`id: ${stream.last}\n\n`);
      } catch (error) {
        end(stream);
        throw error;
      }
      if (timer === undefined) schedule();
      return true;
    },
    async close() {
      isOver = true;
      for (const stream of [...streams]) end(stream);
      await polling;
    },
  };
}

async function begin(service: Service, tenantId: number): Promise<{ last: number; oldest: number }> {
  return inTenant(service.database, tenantId, async (session) => {
    await watchEvents(session, watchSeconds);
    await numberEvents(session);
    return eventBounds(session);
  });
}

/** When it was last asked that a tenant's writes are noted, by the clock of this process. */
const watchedAt = new WeakMap<Service, Map<number, number>>();

/** Numbers what a tenant has written since; where that is nothing, one question and nothing more. */
async function numberLate(service: Service, tenantId: number): Promise<void> {
  const ofService = watchedAt.get(service) ?? new Map<number, number>();
  watchedAt.set(service, ofService);
  if (performance.now() - (ofService.get(tenantId) ?? Number.NEGATIVE_INFINITY) > watchAgainMs) {
    ofService.set(tenantId, performance.now());
    await begin(service, tenantId);
  } else if (await readInTenant(service.database, tenantId, hasUnnumbered)) {
    await inTenant(service.database, tenantId, (session) => numberEvents(session));
  }
}

async function poll(
  service: Service,
  { heartbeatMs }: StreamSettings,
  streams: ReadonlySet<Stream>,
  end: (stream: Stream) => void,
  isClosing: () => boolean,
): Promise<void> {
  if (isClosing()) {
    for (const stream of [...streams]) end(stream);
    return;
  }
  for (const tenantId of new Set([...streams].map((one) => one.tenantId))) {
    const ofTenant = [...streams].filter((one) => one.tenantId === tenantId && Number.isFinite(one.last));
    const from = Math.min(...ofTenant.map(({ last }) => last));
    if (!Number.isFinite(from)) continue;
    await numberLate(service, tenantId);
    const { events } = await readInTenant(service.database, tenantId, (session) =>
      eventsSince(session, from, eventsAPoll),
    );
    for (const stream of ofTenant) {
      if (service.now() - stream.heartbeatMs >= heartbeatMs && !(await stillListens(service, stream))) {
        end(stream);
        continue;
      }
      // One that cannot be fed is ended, and the others are not kept waiting: its client comes back with its last number.
      const isFed = await feed(stream, events).then(
        () => true,
        () => false,
      );
      if (!isFed || stream.out.waitingBytes() > mostWaitingBytes) end(stream);
    }
  }
}

async function stillListens(service: Service, stream: Stream): Promise<boolean> {
  stream.heartbeatMs = service.now();
  const seen = await stream.stillGranted();
  if (seen === undefined) return false;
  stream.seen = seen;
  // The number goes along, so that who comes back need not go through what was not for them.
  stream.out.write(`: alive\nid: ${stream.last}\n\n`);
  return true;
}

function tellGap(out: StreamOut, from: number, to: number): void {
  out.write(`event: gap\ndata: ${JSON.stringify({ from, to })}\n\n`);
}

async function feed(stream: Stream, events: readonly ResourceEvent[]): Promise<void> {
  const fresh = events.filter(({ number }) => number > stream.last);
  if (fresh.length === 0) return;
  for (const { number } of fresh.filter(({ type }) => type === gapMark)) tellGap(stream.out, number, number);
  const told: { readonly event: ResourceEvent; readonly topic: Topic }[] = [];
  for (const topic of stream.topics) {
    const queries = topic.query === "" ? [] : [topic.query];
    const found = await matching(stream.seen, stream.tenantId, { type: topic.type, queries }, fresh);
    told.push(...found.map((event) => ({ event, topic })));
  }
  told.sort((a, b) => a.event.number - b.event.number);
  for (const { event, topic } of told) {
    const said = { resource: referenceOf(event), version: event.version, at: new Date(event.atMs).toISOString() };
    stream.out.write(`event: ${topic.code}\nid: ${event.number}\ndata: ${JSON.stringify(said)}\n\n`);
  }
  stream.last = fresh.at(-1)?.number ?? stream.last;
}
