// Invented people; the phone numbers are those that Ofcom keeps for drama.

/** An identifier as a ward gives it. */
export const ward = (value: string) => [{ system: "urn:ward-number", value }];

/** A patient with everything stated. */
export const ada = {
  resourceType: "Patient",
  id: "ada",
  identifier: ward("4711"),
  name: [{ family: "Härrow", given: ["Ada"] }],
  gender: "female",
  birthDate: "1984-03-07",
  telecom: [{ system: "phone", value: "+44 7700 900123" }],
  address: [{ line: ["12 Mill Lane"], city: "Northwick", postalCode: "ZZ1 2ZZ" }],
};

/** Everybody in the tenant; in the order in which references allow to store them. */
export const people = [
  ada,
  // Twins, without numbers of their own.
  {
    ...ada,
    id: "twin-zoe",
    identifier: ward("51"),
    name: [{ family: "Quill", given: ["Zoe"] }],
    birthDate: "2011-05-09",
  },
  {
    ...ada,
    id: "twin-bo",
    identifier: ward("52"),
    name: [{ family: "Quill", given: ["Bo"] }],
    birthDate: "2011-05-09",
  },
  // One person recorded twice under one number.
  ...["first", "second"].map((id) => ({
    resourceType: "Patient",
    id,
    identifier: ward("600"),
    name: [{ family: "Mossley", given: ["Ida"] }],
    birthDate: "1960-06-06",
  })),
  // The record in force, and two in a row that were replaced.
  {
    resourceType: "Patient",
    id: "in-force",
    identifier: ward("701"),
    name: [{ family: "Fenn", given: ["Olga"] }],
    birthDate: "1951-01-02",
  },
  {
    resourceType: "Patient",
    id: "older",
    active: false,
    link: [{ type: "replaced-by", other: { reference: "Patient/in-force" } }],
  },
  {
    resourceType: "Patient",
    id: "oldest",
    active: false,
    identifier: ward("700"),
    name: [{ family: "Fenn", given: ["Olga"] }],
    birthDate: "1951-01-02",
    link: [{ type: "replaced-by", other: { reference: "Patient/older" } }],
  },
  // Two that replace one another; the first is there before it refers to the second.
  { resourceType: "Patient", id: "circle-a", identifier: ward("800") },
  ...[
    ["circle-b", "circle-a"],
    ["circle-a", "circle-b"],
  ].map(([id = "", next = ""]) => ({
    resourceType: "Patient",
    id,
    identifier: ward("800"),
    link: [{ type: "replaced-by", other: { reference: `Patient/${next}` } }],
  })),
];
