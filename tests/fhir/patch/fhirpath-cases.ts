/** One published case: a resource, the operations in short form, and the result; none where an error is expected. */
export interface PatchCase {
  readonly name: string;
  readonly input: object;
  readonly operations: readonly Readonly<Record<string, unknown>>[];
  readonly output?: object;
}

/** The Parameters of operations in short form: `path` and `name` as text, `index` as integer, `value` as a part. */
export function parametersOf(...operations: readonly Readonly<Record<string, unknown>>[]): object {
  const typed: Readonly<Record<string, string>> = { type: "valueCode", path: "valueString", name: "valueString" };
  const partOf = (name: string, value: unknown) =>
    name === "value" ? { name, ...(value as object) } : { name, [typed[name] ?? "valueInteger"]: value };
  const parameter = operations.map((one) => ({
    name: "operation",
    part: Object.entries(one).map(([name, value]) => partOf(name, value)),
  }));
  return { resourceType: "Parameters", ...(parameter.length === 0 ? {} : { parameter }) };
}

const patient = (...members: object[]) => Object.assign({ resourceType: "Patient" }, ...members);
const identifier = (n: number) => ({ system: "http://example.org", value: `value ${n}` });
const identifiers = (...numbers: number[]) => patient({ identifier: numbers.map(identifier) });
const move = (source: number, destination: number) => ({
  type: "move",
  path: "Patient.identifier",
  source,
  destination,
});

/**
 * Cases of the official test file `r4/patch/fhir-path-tests.xml` (repository FHIR/fhir-test-cases, commit 4ec91f7),
 * put into JSON. Left out is "Consecutive operations": it expects a family name's extension to change that none of its
 * operations names, and an add to contact[1], which is not there, against "Operation on missing element".
 */
export const publishedCases: readonly PatchCase[] = [
  {
    name: "No Difference",
    input: patient({ birthDate: "1920-01-01" }),
    operations: [],
    output: patient({ birthDate: "1920-01-01" }),
  },
  {
    name: "Replace Primitive",
    input: patient({ birthDate: "1920-01-01" }),
    operations: [{ type: "replace", path: "Patient.birthDate", value: { valueDate: "1930-01-01" } }],
    output: patient({ birthDate: "1930-01-01" }),
  },
  {
    name: "Delete Primitive",
    input: patient({ birthDate: "1920-01-01" }),
    operations: [{ type: "delete", path: "Patient.birthDate" }],
    output: patient(),
  },
  {
    name: "Add Primitive",
    input: patient(),
    operations: [{ type: "add", path: "Patient", name: "birthDate", value: { valueDate: "1930-01-01" } }],
    output: patient({ birthDate: "1930-01-01" }),
  },
  {
    name: "Replace Nested Primitive #1",
    input: patient({ contact: [{ name: { text: "a name" }, gender: "male" }] }),
    operations: [{ type: "replace", path: "Patient.contact[0].gender", value: { valueCode: "female" } }],
    output: patient({ contact: [{ name: { text: "a name" }, gender: "female" }] }),
  },
  {
    name: "Replace Nested Primitive #2",
    input: patient({ contact: [{ name: { text: "a name" }, gender: "male" }] }),
    operations: [{ type: "replace", path: "Patient.contact[0].name.text", value: { valueString: "the name" } }],
    output: patient({ contact: [{ name: { text: "the name" }, gender: "male" }] }),
  },
  {
    name: "Delete Nested Primitive #1",
    input: patient({ contact: [{ name: { text: "a name" }, gender: "male" }] }),
    operations: [{ type: "delete", path: "Patient.contact[0].gender" }],
    output: patient({ contact: [{ name: { text: "a name" } }] }),
  },
  {
    name: "Delete Nested Primitive #2",
    input: patient({ contact: [{ name: { text: "a name" }, gender: "male" }] }),
    operations: [{ type: "delete", path: "Patient.contact[0].name.text" }],
    output: patient({ contact: [{ gender: "male" }] }),
  },
  {
    name: "Add Nested Primitive",
    input: patient({ contact: [{ name: { text: "a name" } }] }),
    operations: [{ type: "add", path: "Patient.contact[0]", name: "gender", value: { valueCode: "male" } }],
    output: patient({ contact: [{ name: { text: "a name" }, gender: "male" }] }),
  },
  {
    name: "Add Complex",
    input: patient(),
    operations: [
      { type: "add", path: "Patient", name: "maritalStatus", value: { valueCodeableConcept: { text: "married" } } },
    ],
    output: patient({ maritalStatus: { text: "married" } }),
  },
  {
    name: "Replace Complex",
    input: patient({ maritalStatus: { id: "1", text: "married" } }),
    operations: [
      {
        type: "replace",
        path: "Patient.maritalStatus",
        value: { valueCodeableConcept: { id: "2", text: "not married" } },
      },
    ],
    output: patient({ maritalStatus: { id: "2", text: "not married" } }),
  },
  {
    name: "Delete Complex",
    input: patient({ maritalStatus: { text: "married" } }),
    operations: [{ type: "delete", path: "Patient.maritalStatus" }],
    output: patient(),
  },
  {
    name: "Add Anonymous Type",
    input: patient(),
    operations: [
      {
        type: "add",
        path: "Patient",
        name: "contact",
        value: { part: [{ name: "name", valueHumanName: { text: "a name" } }] },
      },
    ],
    output: patient({ contact: [{ name: { text: "a name" } }] }),
  },
  {
    name: "Delete Anonymous Type",
    input: patient({ contact: [{ name: { text: "a name" } }] }),
    operations: [{ type: "delete", path: "Patient.contact[0]" }],
    output: patient(),
  },
  { name: "List unchanged", input: identifiers(1, 2), operations: [], output: identifiers(1, 2) },
  {
    name: "List unchanged, contents changed",
    input: identifiers(1, 2),
    operations: [
      { type: "replace", path: "Patient.identifier[0].value", value: { valueString: "value 2" } },
      { type: "replace", path: "Patient.identifier[1].value", value: { valueString: "value 1" } },
    ],
    output: identifiers(2, 1),
  },
  {
    name: "Add to list",
    input: identifiers(1, 2),
    operations: [{ type: "insert", path: "Patient.identifier", index: 2, value: { valueIdentifier: identifier(3) } }],
    output: identifiers(1, 2, 3),
  },
  {
    name: "Insert in list #1",
    input: identifiers(1, 2),
    operations: [{ type: "insert", path: "Patient.identifier", index: 1, value: { valueIdentifier: identifier(3) } }],
    output: identifiers(1, 3, 2),
  },
  {
    name: "Insert in list #2",
    input: identifiers(1, 2),
    operations: [{ type: "insert", path: "Patient.identifier", index: 0, value: { valueIdentifier: identifier(3) } }],
    output: identifiers(3, 1, 2),
  },
  ...[0, 1, 2].map((n) => ({
    name: `Delete from List #${n + 1}`,
    input: identifiers(1, 2, 3),
    operations: [{ type: "delete", path: `Patient.identifier[${n}]` }],
    output: identifiers(...[1, 2, 3].toSpliced(n, 1)),
  })),
  {
    name: "Reorder List #1",
    input: identifiers(1, 2, 3, 4),
    operations: [move(3, 1)],
    output: identifiers(1, 4, 2, 3),
  },
  {
    name: "Reorder List #2",
    input: identifiers(1, 2, 3, 4),
    operations: [move(3, 0)],
    output: identifiers(4, 1, 2, 3),
  },
  {
    name: "Reorder List #3",
    input: identifiers(1, 2, 3, 4),
    operations: [move(3, 2)],
    output: identifiers(1, 2, 4, 3),
  },
  {
    name: "Reorder List #4",
    input: identifiers(1, 2, 3, 4),
    operations: [move(0, 3)],
    output: identifiers(2, 3, 4, 1),
  },
  {
    name: "Reorder List #5",
    input: identifiers(1, 2, 3, 4),
    operations: [move(1, 0), move(2, 1)],
    output: identifiers(2, 3, 1, 4),
  },
  {
    name: "Reorder List #6",
    input: identifiers(1, 2, 3, 4),
    operations: [move(3, 0), move(3, 1), move(3, 2)],
    output: identifiers(4, 3, 2, 1),
  },
  {
    name: "Operation on missing element",
    input: patient({ identifier: [{ use: "official", value: "123" }] }),
    operations: [
      {
        type: "add",
        path: "Patient.identifier.where(use = 'official').period",
        name: "end",
        value: { valueDate: "2021-12-01" },
      },
    ],
  },
  {
    name: "Operation on missing element #2",
    input: patient(),
    operations: [{ type: "add", path: "Patient", name: "identifier", value: { valueIdentifier: identifier(3) } }],
    output: identifiers(3),
  },
  {
    name: "Full Resource",
    input: patient({
      text: { status: "generated", div: '<div xmlns="http://www.w3.org/1999/xhtml">Chalmers</div>' },
      name: [
        { use: "official", family: "Chalmers", given: ["Peter", "James"] },
        { use: "usual", given: ["Jim"] },
      ],
    }),
    operations: [
      {
        type: "replace",
        path: "Patient.text.div",
        value: { valueString: '<div xmlns="http://www.w3.org/1999/xhtml">Chalmers1</div>' },
      },
      { type: "replace", path: "Patient.name[0].family", value: { valueString: "Chalmers1" } },
    ],
    output: patient({
      text: { status: "generated", div: '<div xmlns="http://www.w3.org/1999/xhtml">Chalmers1</div>' },
      name: [
        { use: "official", family: "Chalmers1", given: ["Peter", "James"] },
        { use: "usual", given: ["Jim"] },
      ],
    }),
  },
];
