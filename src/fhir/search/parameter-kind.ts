/** Kinds of search parameter (https://hl7.org/fhir/R4/valueset-search-param-type.html) without `special`. */
export type ParameterKind = "string" | "token" | "date" | "reference" | "quantity" | "number" | "uri" | "composite";
