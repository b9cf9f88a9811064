import type { Interval, PublishedCell } from "../../../src/domain/disclosure/figure.ts";
import type { Publication } from "../../../src/domain/disclosure/intruder.ts";
import { relationsOf } from "../../../src/domain/disclosure/relation.ts";
import type { Table } from "../../../src/domain/disclosure/table.ts";

/** A cell shown as exactly this, or as these counts. */
export function shown(key: string, least: number, greatest = least): PublishedCell {
  const interval = { least, greatest };
  return { key, hidden: false, small: false, figures: interval, roles: interval, width: { figures: 0, roles: 0 } };
}

/** A star about which `roles` is known to one who knows its role; three values must stay possible. */
export function star(key: string, roles: Interval, figures: Interval = { least: 1, greatest: 20 }): PublishedCell {
  return {
    key,
    hidden: true,
    small: roles.greatest < figures.greatest,
    figures,
    roles,
    width: { figures: 2, roles: 1 },
  };
}

/** A publication of these cells and the relations of these tables. */
export function published(name: string, cells: readonly PublishedCell[], tables: readonly Table[] = []): Publication {
  return { name, cells, relations: relationsOf(tables), nestings: [] };
}
