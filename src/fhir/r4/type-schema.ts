import type { Constraint, InternalSchemaElement, InternalTypeSchema } from "@medplum/core";
import type { ElementDefinition, StructureDefinition } from "@medplum/fhirtypes";

/** A backbone element that is being read, and where it stands. */
interface Open {
  readonly path: string;
  readonly schema: InternalTypeSchema;
}

/**
 * What `@medplum/core` makes of a structure to check and to search by, made without it: R4's own structures have no slices
 * and no fixed values, and its search for those takes most of its time (the tests hold every structure against it). Types
 * within the structure stand in `innerTypes`, those deeper inside first.
 */
export function typeSchemaOf(structure: StructureDefinition): InternalTypeSchema {
  const [root, ...elements] = structure.snapshot?.element ?? [];
  if (root?.path === undefined) throw new Error(`${structure.name} has no elements`);
  const { name, type, kind, url } = structure;
  const inner: InternalTypeSchema[] = [];
  const summaryProperties = new Set<string>();
  const mandatoryProperties = new Set<string>();
  const whole: InternalTypeSchema = {
    ...{ name, path: root.path, type, url, elements: {}, innerTypes: inner, summaryProperties, mandatoryProperties },
    ...(kind === undefined ? {} : { kind }),
    constraints: constraintsOf(root),
  };
  const known = new Map<string, ElementDefinition>();
  const open: Open[] = [];
  const close = (path: string | undefined) => {
    for (let last = open.at(-1); last !== undefined && !isWithin(path, last.path); last = open.at(-1)) {
      inner.push(last.schema);
      open.pop();
    }
  };
  elements.forEach((written, i) => {
    const path = written.path ?? "";
    const element = resolved(written, known);
    known.set(path, element);
    close(path);
    const around = open.at(-1);
    const field = fieldOf(element);
    if (isBackbone(element) && isWithin(elements[i + 1]?.path, path)) open.push({ path, schema: innerSchema(element) });
    const own = path.slice((around?.path ?? whole.path).length + 1);
    (around?.schema ?? whole).elements[own] = field;
    if (around !== undefined) return;
    if (element.isSummary === true) summaryProperties.add(own.replace("[x]", ""));
    if (field.min > 0) mandatoryProperties.add(own.replace("[x]", ""));
  });
  close(undefined);
  return whole;
}

/** An element that repeats another is what that one is, as often as it says itself. */
function resolved(element: ElementDefinition, known: ReadonlyMap<string, ElementDefinition>): ElementDefinition {
  const { path, min, max, contentReference } = element;
  if (contentReference === undefined) return element;
  const target = known.get(contentReference.slice(contentReference.indexOf("#") + 1));
  if (target === undefined) throw new Error(`${path} repeats ${contentReference}, which nothing before it is`);
  return {
    ...{ ...target, path, contentReference },
    ...(min === undefined ? {} : { min }),
    ...(max === undefined ? {} : { max }),
    base: { path: target.base?.path ?? target.path ?? "", min: 0, max: element.base?.max ?? "1" },
  } as ElementDefinition;
}

function fieldOf(element: ElementDefinition): InternalSchemaElement {
  const { path = "", min = 0, max = "1", base, binding } = element;
  return {
    description: "",
    path,
    min,
    max: numberOf(max),
    isArray: numberOf(base?.max ?? max) > 1,
    constraints: constraintsOf(element),
    type: (element.type ?? []).map(({ code, profile, targetProfile }) => ({
      code: code === "BackboneElement" || code === "Element" ? typeName(element) : (code ?? ""),
      ...(profile === undefined ? {} : { profile }),
      ...(targetProfile === undefined ? {} : { targetProfile }),
    })),
    ...(binding === undefined ? {} : { binding }),
  };
}

function innerSchema(element: ElementDefinition): InternalTypeSchema {
  const name = typeName(element);
  return {
    name,
    type: name,
    path: element.path ?? "",
    elements: {},
    constraints: constraintsOf(element),
    innerTypes: [],
  };
}

/** `Observation.component` is an ObservationComponent; what repeats it is one as well. */
function typeName(element: ElementDefinition): string {
  const words = (element.base?.path ?? element.path ?? "").split(".");
  if (words.length === 1) return words[0] ?? "";
  return words.map((word) => word.charAt(0).toUpperCase() + word.slice(1)).join("");
}

function constraintsOf(element: ElementDefinition): Constraint[] {
  return (element.constraint ?? []).map(({ key = "", severity = "error", expression = "", human = "" }) => ({
    key,
    severity,
    expression,
    description: human,
  }));
}

function isBackbone(element: ElementDefinition): boolean {
  return element.type?.some(({ code }) => code === "BackboneElement" || code === "Element") ?? false;
}

function isWithin(path: string | undefined, outer: string): boolean {
  return path !== undefined && (path === outer || path.startsWith(`${outer}.`));
}

function numberOf(max: string): number {
  return max === "*" ? Number.POSITIVE_INFINITY : Number(max);
}
