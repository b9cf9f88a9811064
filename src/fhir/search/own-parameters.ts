import type { SearchParameter } from "@medplum/fhirtypes";

const base = "https://tidegate.example/fhir/SearchParameter";

function own(
  id: string,
  type: "DeviceUseStatement" | "Flag",
  fields: Pick<SearchParameter, "code" | "type" | "expression" | "description">,
): SearchParameter {
  return {
    resourceType: "SearchParameter",
    id,
    url: `${base}/${id}`,
    name: id
      .split("-")
      .map((word) => word.charAt(0).toUpperCase() + word.slice(1))
      .join(""),
    status: "active",
    base: [type],
    ...fields,
  };
}

/** Parameters that R4 lacks and the trade needs: a DeviceUseStatement has neither status nor date, a Flag no status. */
export const ownSearchParameters: readonly SearchParameter[] = [
  own("device-use-statement-status", "DeviceUseStatement", {
    code: "status",
    type: "token",
    expression: "DeviceUseStatement.status",
    description: "Whether the use goes on, has ended or is on hold.",
  }),
  own("device-use-statement-use-period", "DeviceUseStatement", {
    code: "use-period",
    type: "date",
    expression: "DeviceUseStatement.timing",
    description: "When the device was used: a session, or the time a person had a machine or a part was fitted.",
  }),
  own("flag-status", "Flag", {
    code: "status",
    type: "token",
    expression: "Flag.status",
    description: "Whether the flag warns now.",
  }),
];
