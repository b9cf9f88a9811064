import type { Replica } from "../store/replica.ts";
import type { Service } from "./service.ts";

export type { Replica } from "../store/replica.ts";

/** A service whose reads go to a replica as long as one can be asked, and how old that is. */
export interface ReplicatedService {
  readonly service: Service;
  readonly lagMs: number;
  isUsed(): boolean;
}

/** The service with its reads going to the replica; undefined where that is late or away. */
export function readingFrom(replica: Replica, service: Service): ReplicatedService | undefined {
  const lagMs = replica.lagMs();
  if (lagMs === undefined) return undefined;
  const { database, isUsed } = replica.reading(service.database);
  return { service: { ...service, database }, lagMs, isUsed };
}
