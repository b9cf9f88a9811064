import { type Constraint, type InternalSchemaElement, type InternalTypeSchema, tryGetDataType } from "@medplum/core";
import { withoutVersion } from "../terminology/canonical.ts";
import { isPrimitive } from "./formats.ts";
import { type Invariant, invariantsOf } from "./invariants.ts";

/** How one JSON member of a type is checked; a choice element has one for each of its types. */
export interface ElementPlan {
  /** Name in JSON, such as `valueQuantity`. */
  readonly key: string;
  /** Name in FHIRPath, such as `value`. */
  readonly name: string;
  /** Whether `name` may stand under other keys as well. */
  readonly isChoice: boolean;
  readonly type: string;
  readonly kind: "primitive" | "complex" | "resource";
  readonly isArray: boolean;
  readonly max: number;
  readonly binding?: { readonly valueSet: string; readonly strength: "required" | "extensible" };
  /** Resource types a Reference here may point to; undefined allows all. */
  readonly targets?: ReadonlySet<string>;
  readonly invariants: readonly Invariant[];
}

/** How the members of a type are checked. */
export interface TypePlan {
  readonly type: string;
  readonly elements: ReadonlyMap<string, ElementPlan>;
  /** Elements that must be there, each with the JSON members under which it may stand. */
  readonly required: readonly { readonly name: string; readonly keys: readonly string[] }[];
  /** Invariants of a resource; those of other types stand with the element that has the type. */
  readonly invariants: readonly Invariant[];
}

const plans = new Map<string, TypePlan | undefined>();

/** The plan of a resource type, data type or backbone element, made once; undefined for a name that R4 does not have. */
export function planOf(type: string): TypePlan | undefined {
  if (plans.has(type)) return plans.get(type);
  const schema = schemaOf(type);
  const made = schema === undefined ? undefined : compiled(type, schema);
  if (made !== undefined) plans.set(type, made);
  return made;
}

/** Whether R4 has a concrete resource type of this name. */
export function isResourceName(type: string): boolean {
  const schema = schemaOf(type);
  return schema?.kind === "resource" && type !== "Resource" && type !== "DomainResource";
}

/** Names such as `constructor` are members of every object, and no types. */
function schemaOf(type: string): InternalTypeSchema | undefined {
  return /^[A-Z][A-Za-z]*$/.test(type) ? tryGetDataType(type) : undefined;
}

function compiled(type: string, schema: InternalTypeSchema): TypePlan {
  const elements = new Map<string, ElementPlan>();
  const required: { name: string; keys: string[] }[] = [];
  for (const [path, element] of Object.entries(schema.elements)) {
    const made = elementPlans(schema, path, element);
    for (const one of made) elements.set(one.key, one);
    if (element.min > 0) required.push({ name: path.replace("[x]", ""), keys: made.map((one) => one.key) });
  }
  const own = schema.kind === "resource" ? invariantsOf(schema.constraints ?? []) : [];
  return { type, elements, required, invariants: own };
}

function elementPlans(schema: InternalTypeSchema, path: string, element: InternalSchemaElement): ElementPlan[] {
  const isChoice = path.endsWith("[x]");
  const name = path.replace("[x]", "");
  const codes = [...new Set(element.type.map((one) => one.code))];
  return codes.map((code): ElementPlan => {
    const type = typeOf(schema, name, code, element);
    const kind = isPrimitive(type) ? "primitive" : isAnyResource(type) ? "resource" : "complex";
    const targets = code === "Reference" ? targetsOf(element) : undefined;
    const bound = bindingOf(element);
    return {
      key: isChoice ? `${name}${code.charAt(0).toUpperCase()}${code.slice(1)}` : name,
      name,
      isChoice,
      type,
      kind,
      isArray: element.isArray === true,
      max: element.max,
      invariants: invariantsOf([...(element.constraints ?? []), ...rulesOfType(type, kind)]),
      ...(bound === undefined ? {} : { binding: bound }),
      ...(targets === undefined ? {} : { targets }),
    };
  });
}

function isAnyResource(type: string): boolean {
  return type === "Resource" || schemaOf(type)?.kind === "resource";
}

/** The type by which a value is checked: the index states ids as text, and narrower quantities as a profile. */
function typeOf(schema: InternalTypeSchema, name: string, code: string, element: InternalSchemaElement): string {
  if (name === "id") return schema.kind === "resource" ? "id" : "element-id";
  if (code !== "Quantity") return code;
  const profile = element.type
    .find((one) => one.code === code)
    ?.profile?.[0]?.split("/")
    .at(-1);
  return profile !== undefined && schemaOf(profile) !== undefined ? profile : code;
}

/** What a data type asks of every value; a backbone element repeats its own, a resource is checked by its own plan. */
function rulesOfType(type: string, kind: ElementPlan["kind"]): readonly Constraint[] {
  return kind === "complex" ? (schemaOf(type)?.constraints ?? []) : [];
}

function bindingOf(element: InternalSchemaElement): ElementPlan["binding"] {
  const { strength, valueSet } = element.binding ?? {};
  if (valueSet === undefined || (strength !== "required" && strength !== "extensible")) return undefined;
  return { valueSet: withoutVersion(valueSet), strength };
}

function targetsOf(element: InternalSchemaElement): ReadonlySet<string> | undefined {
  const named = element.type
    .filter((one) => one.code === "Reference")
    .flatMap((one) => one.targetProfile ?? [])
    .map((url) => url.split("/").at(-1) ?? "");
  return named.length === 0 || named.includes("Resource") ? undefined : new Set(named);
}
