-- How confidential a stored body says it is (https://terminology.hl7.org/CodeSystem-v3-Confidentiality.html): 0 for normal and
-- less, 1 for restricted, 2 for very restricted; the highest of its labels counts. Made in the database, so that no way of
-- writing can forget it. Only a body that names the code system anywhere is parsed.
CREATE FUNCTION confidentiality_of(body text) RETURNS smallint LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
  SELECT coalesce(max(CASE label ->> 'code' WHEN 'V' THEN 2 WHEN 'R' THEN 1 ELSE 0 END), 0)::smallint
  FROM json_array_elements(body::json #> '{meta,security}') AS label
  WHERE label ->> 'system' = 'http://terminology.hl7.org/CodeSystem/v3-Confidentiality'
$$;
--> statement-breakpoint
-- The term by which anything may point to `Type/id`: the twin of referralTerm in src/fhir/search/reference.ts.
CREATE FUNCTION referral_term(reference text) RETURNS bigint LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
  SELECT ('x' || encode(substr(sha256(convert_to(E'anywhere\nreference\n' || reference, 'UTF8')), 1, 8), 'hex'))::bit(64)::bigint
$$;
--> statement-breakpoint
CREATE TABLE "consent_denial" (
	"tenant_id" integer NOT NULL,
	"consent_id" text collate "C" NOT NULL,
	"position" integer NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"starts_at" timestamp with time zone NOT NULL,
	"ends_at" timestamp with time zone NOT NULL,
	"denied_to" text[] collate "C",
	"types" text[] collate "C",
	"permitted" text[] collate "C" NOT NULL,
	"referral" bigint GENERATED ALWAYS AS (referral_term('Patient/' || patient_id)) STORED,
	CONSTRAINT "consent_denial_tenant_id_consent_id_position_pk" PRIMARY KEY("tenant_id","consent_id","position")
);
--> statement-breakpoint
CREATE TABLE "resource_label" (
	"tenant_id" integer NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL,
	"confidentiality" smallint NOT NULL,
	"patient_id" text collate "C",
	"device_id" text collate "C",
	"referral" bigint GENERATED ALWAYS AS (referral_term(type || '/' || id)) STORED,
	CONSTRAINT "resource_label_tenant_id_type_id_pk" PRIMARY KEY("tenant_id","type","id")
);
--> statement-breakpoint
ALTER TABLE "client" ADD COLUMN "confidentiality" text collate "C" DEFAULT 'N' NOT NULL;--> statement-breakpoint
ALTER TABLE "resource" ADD COLUMN "confidentiality" smallint GENERATED ALWAYS AS (case when strpos(body, 'v3-Confidentiality') = 0 then 0::smallint else confidentiality_of(body) end) STORED;--> statement-breakpoint
ALTER TABLE "resource_version" ADD COLUMN "confidentiality" smallint GENERATED ALWAYS AS (case when strpos(body, 'v3-Confidentiality') = 0 then 0::smallint else confidentiality_of(body) end) STORED;--> statement-breakpoint
CREATE INDEX "consent_denial_patient" ON "consent_denial" USING btree ("tenant_id","patient_id");--> statement-breakpoint
CREATE INDEX "consent_denial_referral" ON "consent_denial" USING btree ("tenant_id","referral");--> statement-breakpoint
CREATE INDEX "resource_label_patient" ON "resource_label" USING btree ("tenant_id","patient_id");--> statement-breakpoint
CREATE INDEX "resource_label_device" ON "resource_label" USING btree ("tenant_id","device_id") WHERE device_id is not null;--> statement-breakpoint
CREATE INDEX "resource_label_referral" ON "resource_label" USING btree ("tenant_id","referral");
--> statement-breakpoint
-- Rows of before. Whoever owns the tables is bound by their policies (FORCE), which show nothing without a tenant: for the
-- length of this transaction the owner is not.
ALTER TABLE client NO FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
-- The record's own system writes what it must be able to read again; all others see what is not labelled.
UPDATE client SET confidentiality = 'V' WHERE role = 'integration';
--> statement-breakpoint
ALTER TABLE client FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE resource NO FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
INSERT INTO resource_label (tenant_id, type, id, confidentiality, patient_id, device_id)
SELECT r.tenant_id, r.type, r.id, r.confidentiality, r.patient_id,
  CASE r.type WHEN 'Observation' THEN substring(r.body::json #>> '{device,reference}' FROM '(?:^|/)Device/([A-Za-z0-9.-]{1,64})$') END
FROM resource r WHERE r.confidentiality > 0;
--> statement-breakpoint
ALTER TABLE resource FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
-- Tenant isolation for the new tables, as for all others.
DO $$
DECLARE
  t text;
BEGIN
  FOREACH t IN ARRAY ARRAY['resource_label', 'consent_denial']
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
-- Keeps resource_label in step with the labels. A write without labels meets the condition of the trigger and nothing more.
CREATE FUNCTION keep_resource_label() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF NEW.confidentiality = 0 THEN
    DELETE FROM resource_label l WHERE l.tenant_id = NEW.tenant_id AND l.type = NEW.type AND l.id = NEW.id;
    RETURN NULL;
  END IF;
  INSERT INTO resource_label (tenant_id, type, id, confidentiality, patient_id, device_id)
  VALUES (NEW.tenant_id, NEW.type, NEW.id, NEW.confidentiality, NEW.patient_id,
    CASE NEW.type WHEN 'Observation'
      THEN substring(NEW.body::json #>> '{device,reference}' FROM '(?:^|/)Device/([A-Za-z0-9.-]{1,64})$') END)
  ON CONFLICT (tenant_id, type, id) DO UPDATE SET confidentiality = excluded.confidentiality,
    patient_id = excluded.patient_id, device_id = excluded.device_id;
  RETURN NULL;
END
$$;
--> statement-breakpoint
CREATE TRIGGER labelled_at_first AFTER INSERT ON resource FOR EACH ROW WHEN (NEW.confidentiality > 0)
  EXECUTE FUNCTION keep_resource_label();
--> statement-breakpoint
CREATE TRIGGER labelled_anew AFTER UPDATE OF body, patient_id ON resource FOR EACH ROW
  WHEN (OLD.confidentiality > 0 OR NEW.confidentiality > 0) EXECUTE FUNCTION keep_resource_label();
--> statement-breakpoint
-- Reading on behalf of a client whose clearance ends below a label, or whom a Consent denies what it asks for
-- (docs/decisions/0007-labels-consent-and-break-glass.md). What a policy must know of rows that it hides stands in
-- resource_label and consent_denial, which show all of their tenant. The questions are functions, so that a client that is not
-- concerned pays for one look at the settings a statement and for no plan of what it never asks.
CREATE FUNCTION withheld_people() RETURNS SETOF text LANGUAGE plpgsql STABLE COST 1 ROWS 10 AS $$
-- Whose Patient is labelled above the clearance, and who denies something to whoever asks, whatever it is.
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  clearance smallint := nullif(current_setting('tidegate.confidentiality', true), '');
  denied_as text[] := string_to_array(nullif(current_setting('tidegate.denied_as', true), ''), ',');
  asked_at timestamptz := to_timestamp(nullif(current_setting('tidegate.asked_at', true), '')::float8 / 1000);
BEGIN
  RETURN QUERY
    SELECT l.id FROM resource_label l WHERE l.tenant_id = owner AND l.type = 'Patient' AND l.confidentiality > clearance
    UNION ALL
    SELECT d.patient_id FROM consent_denial d WHERE d.tenant_id = owner AND d.starts_at <= asked_at AND d.ends_at > asked_at
      AND denied_as IS NOT NULL AND (d.denied_to IS NULL OR d.denied_to && denied_as);
END
$$;
--> statement-breakpoint
CREATE FUNCTION is_denied(person text, asked_type text) RETURNS boolean LANGUAGE plpgsql STABLE COST 1 AS $$
-- Whether a Consent of a person denies a type to whoever asks, without an exception for them.
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  denied_as text[] := string_to_array(nullif(current_setting('tidegate.denied_as', true), ''), ',');
  permitted_as text[] := string_to_array(nullif(current_setting('tidegate.permitted_as', true), ''), ',');
  asked_at timestamptz := to_timestamp(nullif(current_setting('tidegate.asked_at', true), '')::float8 / 1000);
BEGIN
  RETURN denied_as IS NOT NULL AND EXISTS (
    SELECT FROM consent_denial d
    WHERE d.tenant_id = owner AND d.patient_id = person AND d.starts_at <= asked_at AND d.ends_at > asked_at
      AND (d.denied_to IS NULL OR d.denied_to && denied_as) AND (d.types IS NULL OR asked_type = ANY (d.types))
      AND NOT EXISTS (SELECT FROM unnest(permitted_as) AS p(name)
        WHERE d.permitted && ARRAY[p.name || '/any', p.name || '/' || asked_type]));
END
$$;
--> statement-breakpoint
CREATE FUNCTION is_labelled(asked_type text, asked_id text) RETURNS boolean LANGUAGE plpgsql STABLE COST 1 AS $$
-- Whether a current resource is labelled above the clearance.
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  clearance smallint := nullif(current_setting('tidegate.confidentiality', true), '');
BEGIN
  RETURN clearance IS NOT NULL AND EXISTS (SELECT FROM resource_label l
    WHERE l.tenant_id = owner AND l.type = asked_type AND l.id = asked_id AND l.confidentiality > clearance);
END
$$;
--> statement-breakpoint
CREATE FUNCTION points_to_withheld(asked_type text, asked_terms bigint[]) RETURNS boolean LANGUAGE plpgsql STABLE COST 1 AS $$
-- What belongs to nobody is withheld with the person whom it points to; a Provenance with all that it is about.
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  clearance smallint := nullif(current_setting('tidegate.confidentiality', true), '');
BEGIN
  RETURN (clearance IS NOT NULL AND EXISTS (SELECT FROM resource_label l
      WHERE l.tenant_id = owner AND l.referral = ANY (asked_terms) AND l.confidentiality > clearance
        AND (l.type = 'Patient' OR asked_type = 'Provenance')))
    OR EXISTS (SELECT FROM consent_denial d
      WHERE d.tenant_id = owner AND d.referral = ANY (asked_terms) AND is_denied(d.patient_id, asked_type));
END
$$;
--> statement-breakpoint
CREATE FUNCTION people_without_summary() RETURNS SETOF text LANGUAGE plpgsql STABLE COST 1 ROWS 10 AS $$
-- Reviews compute a summary from all of these types: where something of that is withheld, so is the whole.
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  clearance smallint := nullif(current_setting('tidegate.confidentiality', true), '');
  sources text[] := ARRAY['CarePlan', 'Condition', 'DeviceRequest', 'DeviceUseStatement', 'DocumentReference', 'Encounter', 'Flag',
    'Observation', 'Patient', 'QuestionnaireResponse', 'Task'];
BEGIN
  RETURN QUERY
    SELECT l.patient_id FROM resource_label l
    WHERE l.tenant_id = owner AND l.patient_id IS NOT NULL AND l.confidentiality > clearance AND l.type = ANY (sources)
    UNION
    SELECT p.id FROM withheld_people() AS p(id) WHERE EXISTS (SELECT FROM unnest(sources) AS s(type) WHERE is_denied(p.id, s.type));
END
$$;
--> statement-breakpoint
CREATE FUNCTION vouches(asked_device text, asked_upload text) RETURNS boolean LANGUAGE plpgsql STABLE COST 1 AS $$
-- Where a session of a device is withheld, nothing vouches for its time: a day of which nothing shows is not known, and never
-- not used.
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  clearance smallint := nullif(current_setting('tidegate.confidentiality', true), '');
BEGIN
  RETURN NOT is_labelled('DocumentReference', asked_upload)
    AND (clearance IS NULL OR NOT EXISTS (SELECT FROM resource_label l
      WHERE l.tenant_id = owner AND l.device_id = asked_device AND l.type = 'Observation' AND l.confidentiality > clearance))
    AND NOT EXISTS (SELECT FROM device_use u WHERE u.tenant_id = owner AND u.device_id = asked_device
      AND (is_denied(u.patient_id, 'Observation') OR is_denied(u.patient_id, 'DocumentReference')));
END
$$;
--> statement-breakpoint
CREATE FUNCTION fact_source_type(kind text, fact jsonb) RETURNS text LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
  -- The resource type that a row of patient_fact comes from.
  SELECT CASE kind WHEN 'plan' THEN 'CarePlan' WHEN 'profile' THEN 'DeviceRequest' WHEN 'infection' THEN 'Condition'
    WHEN 'screening' THEN 'QuestionnaireResponse' WHEN 'contraindication' THEN 'Flag'
    ELSE CASE fact ->> 'kind' WHEN 'hospital' THEN 'Encounter' WHEN 'holiday' THEN 'Flag' ELSE 'DeviceUseStatement' END END
$$;
--> statement-breakpoint
DO $do$
DECLARE
  free text := $$(SELECT coalesce(nullif(current_setting('tidegate.confidentiality', true), ''),
    nullif(current_setting('tidegate.denied_as', true), '')) IS NULL)$$;
  clearance text := $$coalesce((SELECT nullif(current_setting('tidegate.confidentiality', true), '')::smallint), 2)$$;
  -- A person of whom nothing is withheld is told by one look into a set that is made once a statement.
  of_person text := $$(NOT (patient_id IN (SELECT w.id FROM withheld_people() AS w(id)))
    OR NOT (is_labelled('Patient', patient_id) OR is_denied(patient_id, %s)))$$;
  one record;
BEGIN
  FOR one IN
    SELECT * FROM (VALUES
      ('resource', format('confidentiality <= %s AND (patient_id IS NULL OR %s)', clearance, format(of_person, 'type'))
        -- Types of which resources without a person of their own tell nothing about people.
        || $$ AND (patient_id IS NOT NULL OR type = ANY (ARRAY['ActivityDefinition', 'CapabilityStatement', 'CodeSystem', 'Device',
          'DeviceDefinition', 'HealthcareService', 'Library', 'Location', 'Measure', 'NamingSystem', 'OperationDefinition',
          'Organization', 'PlanDefinition', 'Practitioner', 'PractitionerRole', 'Questionnaire', 'SearchParameter',
          'StructureDefinition', 'ValueSet']) OR NOT points_to_withheld(type, terms))$$),
      ('patient', format(of_person, $$'Patient'$$)),
      ('device_use', format(of_person, $$'DeviceUseStatement'$$) || $$ AND NOT is_labelled('DeviceUseStatement', use_id)$$),
      ('therapy_session', format(of_person, $$'Observation'$$) || $$ AND NOT is_labelled('Observation', session_id)$$),
      ('device_alert', format(of_person, $$'Observation'$$) || $$ AND NOT is_labelled('Observation', observation_id)$$),
      ('finding_task', format(of_person, $$'Task'$$) || $$ AND NOT is_labelled('Task', task_id)$$),
      ('patient_fact', format(of_person, 'fact_source_type(kind, fact)') || ' AND NOT is_labelled(fact_source_type(kind, fact), source_id)'),
      ('patient_summary', format(of_person, $$'Patient'$$)
        || ' AND NOT (patient_id IN (SELECT p.id FROM people_without_summary() AS p(id)))'),
      ('coverage', 'vouches(device_id, upload_id)'),
      ('clock_check', $$NOT is_labelled('DocumentReference', upload_id)$$)
    ) AS v(t, shows)
  LOOP
    EXECUTE format('CREATE POLICY withheld ON %I AS RESTRICTIVE FOR SELECT USING (%s OR (%s))', one.t, free, one.shows);
  END LOOP;
  -- A replaced version shows where both its own labels and those of the current one allow it: that somebody labelled it only
  -- later, or took the label away since, makes neither of them less sensitive. Index rows show with their resource.
  FOR one IN
    SELECT * FROM (VALUES ('resource_version', format('confidentiality <= %s', clearance)), ('resource_string', 'true'),
      ('resource_date', 'true')) AS v(t, shows)
  LOOP
    EXECUTE format('CREATE POLICY withheld ON %1$I AS RESTRICTIVE FOR SELECT USING (%2$s OR (%3$s AND EXISTS (
      SELECT FROM resource r WHERE r.tenant_id = %1$I.tenant_id AND r.type = %1$I.type AND r.id = %1$I.id)))',
      one.t, free, one.shows);
  END LOOP;
END
$do$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION confidentiality_of(text), referral_term(text), fact_source_type(text, jsonb), keep_resource_label(), withheld_people(),
  is_denied(text, text), is_labelled(text, text), points_to_withheld(text, bigint[]), people_without_summary(), vouches(text, text)
  FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION confidentiality_of(text), referral_term(text), fact_source_type(text, jsonb), keep_resource_label(),
  withheld_people(), is_denied(text, text), is_labelled(text, text), points_to_withheld(text, bigint[]), people_without_summary(),
  vouches(text, text) TO tidegate_service;
