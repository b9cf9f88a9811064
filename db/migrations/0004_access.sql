CREATE TABLE "access_token" (
	"tenant_id" integer NOT NULL,
	"token_hash" "bytea" NOT NULL,
	"client_id" text collate "C" NOT NULL,
	"scopes" text[] collate "C" NOT NULL,
	"issued_at" timestamp with time zone NOT NULL,
	"expires_at" timestamp with time zone NOT NULL,
	"revoked_at" timestamp with time zone,
	CONSTRAINT "access_token_tenant_id_token_hash_pk" PRIMARY KEY("tenant_id","token_hash")
);
--> statement-breakpoint
CREATE TABLE "client" (
	"tenant_id" integer NOT NULL,
	"client_id" text collate "C" NOT NULL,
	"name" text collate "C" NOT NULL,
	"role" text collate "C" NOT NULL,
	"scopes" text[] collate "C" NOT NULL,
	"jwks" jsonb,
	"jwks_url" text collate "C",
	"patient_id" text collate "C",
	"organization_id" text collate "C",
	"version" integer NOT NULL,
	"changed_at" timestamp with time zone NOT NULL,
	"disabled_at" timestamp with time zone,
	CONSTRAINT "client_tenant_id_client_id_pk" PRIMARY KEY("tenant_id","client_id")
);
--> statement-breakpoint
CREATE TABLE "used_assertion" (
	"tenant_id" integer NOT NULL,
	"client_id" text collate "C" NOT NULL,
	"assertion_hash" "bytea" NOT NULL,
	"expires_at" timestamp with time zone NOT NULL,
	CONSTRAINT "used_assertion_tenant_id_client_id_assertion_hash_pk" PRIMARY KEY("tenant_id","client_id","assertion_hash")
);
--> statement-breakpoint
CREATE INDEX "access_token_expiry" ON "access_token" USING btree ("tenant_id","expires_at");--> statement-breakpoint
CREATE INDEX "used_assertion_expiry" ON "used_assertion" USING btree ("tenant_id","expires_at");
--> statement-breakpoint
-- Tenant isolation for the new tables, as for all others.
DO $$
DECLARE
  t text;
BEGIN
  FOREACH t IN ARRAY ARRAY['client', 'access_token', 'used_assertion']
  LOOP
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', t);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', t);
    EXECUTE format(
      'CREATE POLICY tenant_only ON %I USING (tenant_id = nullif(current_setting(''tidegate.tenant'', true), '''')::integer)', t);
    EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO tidegate_service', t);
  END LOOP;
END
$$;
--> statement-breakpoint
-- A client is disabled, never taken away: what it did must stay attributable.
REVOKE DELETE ON client FROM tidegate_service;
--> statement-breakpoint
-- Reading on behalf of a client whose scopes name types: resources of other types do not show, whatever way a search takes
-- to them (chains, includes, histories). Writers and clients of every type set nothing and pay nothing: both sub-selects
-- are answered once a statement.
DO $$
DECLARE
  t text;
BEGIN
  FOREACH t IN ARRAY ARRAY['resource', 'resource_version', 'resource_string', 'resource_date']
  LOOP
    EXECUTE format($policy$
      CREATE POLICY readable_types ON %I AS RESTRICTIVE FOR SELECT USING (
        (SELECT nullif(current_setting('tidegate.types', true), '')) IS NULL
        OR type = ANY ((SELECT string_to_array(current_setting('tidegate.types', true), ','))::text[])
      )$policy$, t);
  END LOOP;
END
$$;
--> statement-breakpoint
-- Reading on behalf of a client that is bound to one person, or to the people of some organisations: nobody else shows.
-- What names no person shows where it is of a kind that tells nothing about people; a device, where one of them had it.
CREATE POLICY bound_people ON patient AS RESTRICTIVE FOR SELECT USING (
  ((SELECT nullif(current_setting('tidegate.patient', true), '')) IS NULL
    AND (SELECT nullif(current_setting('tidegate.organizations', true), '')) IS NULL)
  OR patient_id = (SELECT current_setting('tidegate.patient', true))
  OR organization_id = ANY ((SELECT string_to_array(current_setting('tidegate.organizations', true), ','))::text[])
);
--> statement-breakpoint
DO $$
DECLARE
  t text;
  unbound text := $unbound$(SELECT nullif(current_setting('tidegate.patient', true), '')) IS NULL
    AND (SELECT nullif(current_setting('tidegate.organizations', true), '')) IS NULL$unbound$;
BEGIN
  FOREACH t IN ARRAY ARRAY['device_use', 'therapy_session', 'device_alert', 'patient_fact', 'finding_task', 'patient_summary']
  LOOP
    EXECUTE format('CREATE POLICY bound_people ON %I AS RESTRICTIVE FOR SELECT USING ((%s)
      OR patient_id IN (SELECT p.patient_id FROM patient p))', t, unbound);
  END LOOP;
  FOREACH t IN ARRAY ARRAY['coverage', 'clock_check']
  LOOP
    EXECUTE format('CREATE POLICY bound_people ON %I AS RESTRICTIVE FOR SELECT USING ((%s)
      OR device_id IN (SELECT u.device_id FROM device_use u))', t, unbound);
  END LOOP;
  EXECUTE format('CREATE POLICY bound_people ON resource AS RESTRICTIVE FOR SELECT USING ((%s)
    OR patient_id IN (SELECT p.patient_id FROM patient p)
    OR (type = ''Device'' AND id IN (SELECT u.device_id FROM device_use u))
    OR (patient_id IS NULL AND type = ANY (ARRAY[''ActivityDefinition'', ''CapabilityStatement'', ''CareTeam'', ''CodeSystem'',
      ''DeviceDefinition'', ''HealthcareService'', ''Library'', ''Location'', ''Measure'', ''NamingSystem'',
      ''OperationDefinition'', ''Organization'', ''PlanDefinition'', ''Practitioner'', ''PractitionerRole'', ''Questionnaire'',
      ''SearchParameter'', ''StructureDefinition'', ''ValueSet''])))', unbound);
  FOREACH t IN ARRAY ARRAY['resource_version', 'resource_string', 'resource_date']
  LOOP
    EXECUTE format('CREATE POLICY bound_people ON %1$I AS RESTRICTIVE FOR SELECT USING ((%2$s)
      OR EXISTS (SELECT FROM resource r WHERE r.tenant_id = %1$I.tenant_id AND r.type = %1$I.type AND r.id = %1$I.id))', t, unbound);
  END LOOP;
END
$$;
