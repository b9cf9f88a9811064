import type { FastifyInstance } from "fastify";
import { readMatchRequest } from "../fhir/match-request.ts";
import { matchBundleText } from "../fhir/patient-match.ts";
import { matchPatient } from "../flows/match-patient.ts";
import type { Doors } from "./doors.ts";
import { answered, fhirBase, fhirJson } from "./fhir-answer.ts";
import { bodyText } from "./fhir-request.ts";
import { refuseOtherMethods } from "./other-methods.ts";

/** `POST /Patient/$match` (https://hl7.org/fhir/R4/patient-operation-match.html): who of the patients here is this one? */
export function matchRoutes(app: FastifyInstance, doors: Doors): void {
  app.post("/Patient/$match", async (request, reply) => {
    const { definitions } = doors.service;
    const asked = answered(readMatchRequest(definitions, bodyText(request, doors.maxBodyBytes)));
    const { matches, notes, total } = answered(await matchPatient(request.service, request.tenantId, asked));
    return reply.type(fhirJson).send(matchBundleText(fhirBase(doors, request), matches, notes, total));
  });
  refuseOtherMethods(app, { "/Patient/$match": ["POST"] });
}
