import type { CareTeam, Location, Organization, Practitioner, PractitionerRole } from "@medplum/fhirtypes";

type Identified<T> = T & { readonly id: string };

/** The invented home ventilation service: nobody and nothing of it exists. */
export const organizationId = "organization-brackwater";

const service = { reference: `Organization/${organizationId}`, display: "Brackwater Vale Home Ventilation Service" };

const staff = [
  { id: "practitioner-rookwood", family: "Rookwood", given: "Evadne", role: "Respiratory physiotherapist" },
  { id: "practitioner-saltonby", family: "Saltonby", given: "Ignatius", role: "Home ventilation nurse" },
  { id: "practitioner-wyverne", family: "Wyverne", given: "Cordelia", role: "Consultant in respiratory medicine" },
];

/** The team that answers for everybody in the demo. */
export const careTeamId = "careteam-brackwater";

/** Organisation, site, staff and team, in an order in which each refers only to those before it. */
export function serviceResources(): Identified<Organization | Location | Practitioner | PractitionerRole | CareTeam>[] {
  const organization: Identified<Organization> = {
    resourceType: "Organization",
    id: organizationId,
    active: true,
    name: "Brackwater Vale Home Ventilation Service",
    alias: ["Invented for the demo of Tidegate"],
  };
  const site: Identified<Location> = {
    resourceType: "Location",
    id: "location-brackwater",
    status: "active",
    name: "Ferry House, Brackwater Vale",
    managingOrganization: service,
  };
  const practitioners = staff.map(
    ({ id, family, given }): Identified<Practitioner> => ({
      resourceType: "Practitioner",
      id,
      active: true,
      name: [{ family, given: [given] }],
    }),
  );
  const roles = staff.map(
    ({ id, role }): Identified<PractitionerRole> => ({
      resourceType: "PractitionerRole",
      id: id.replace("practitioner-", "role-"),
      active: true,
      practitioner: { reference: `Practitioner/${id}` },
      organization: service,
      code: [{ text: role }],
      location: [{ reference: "Location/location-brackwater" }],
    }),
  );
  const team: Identified<CareTeam> = {
    resourceType: "CareTeam",
    id: careTeamId,
    status: "active",
    name: "Home cough support team",
    managingOrganization: [service],
    participant: staff.map(({ id, role }) => ({
      role: [{ text: role }],
      member: { reference: `Practitioner/${id}` },
      onBehalfOf: service,
    })),
  };
  return [organization, site, ...practitioners, ...roles, team];
}
