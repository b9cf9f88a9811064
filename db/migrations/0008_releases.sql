CREATE TABLE "population_release" (
	"tenant_id" integer NOT NULL,
	"number" integer NOT NULL,
	"period" text collate "C" NOT NULL,
	"policy" text collate "C" NOT NULL,
	"state" text collate "C" NOT NULL,
	"progress_done" integer DEFAULT 0 NOT NULL,
	"progress_total" integer DEFAULT 0 NOT NULL,
	"asked_at" timestamp with time zone NOT NULL,
	"asked_by_client" text collate "C" NOT NULL,
	"asked_by_name" text collate "C" NOT NULL,
	"signed_at" timestamp with time zone,
	"signed_by_client" text collate "C",
	"signed_by_name" text collate "C",
	"withdrawn_at" timestamp with time zone,
	"withdrawn_by_client" text collate "C",
	"withdrawn_by_name" text collate "C",
	"reason" text collate "C",
	"body" text,
	"sha256" text collate "C",
	"audit" text,
	"publication" text,
	CONSTRAINT "population_release_tenant_id_number_pk" PRIMARY KEY("tenant_id","number")
);
--> statement-breakpoint
-- Tenant isolation as for all others.
ALTER TABLE population_release ENABLE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE population_release FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
CREATE POLICY tenant_only ON population_release
  USING (tenant_id = nullif(current_setting('tidegate.tenant', true), '')::integer);
--> statement-breakpoint
-- Rows show to nobody who has not said with which eyes they look: whatever way a search, a history or an export takes, it meets
-- none. `released` is a commissioner's view: what was signed off, and that it was withdrawn where it was.
CREATE POLICY sight ON population_release AS RESTRICTIVE FOR SELECT USING (
  current_setting('tidegate.releases', true) = 'all'
  OR (current_setting('tidegate.releases', true) = 'released' AND signed_at IS NOT NULL)
);
--> statement-breakpoint
GRANT SELECT, INSERT, UPDATE ON population_release TO tidegate_service;
--> statement-breakpoint
ALTER TABLE population_release
  ADD CONSTRAINT population_release_number CHECK (number >= 1),
  ADD CONSTRAINT population_release_state CHECK (state IN ('computing', 'refused', 'drafted', 'released', 'withdrawn')),
  ADD CONSTRAINT population_release_body CHECK (
    (body IS NULL) = (state IN ('computing', 'refused')) AND (publication IS NULL) = (body IS NULL) AND (audit IS NULL) = (body IS NULL)
    AND sha256 IS NOT DISTINCT FROM encode(sha256(convert_to(body, 'UTF8')), 'hex')),
  ADD CONSTRAINT population_release_reason CHECK ((reason IS NULL) <> (state IN ('refused', 'withdrawn'))),
  ADD CONSTRAINT population_release_signed CHECK (
    (signed_at IS NULL) = (signed_by_name IS NULL) AND (signed_at IS NULL) = (signed_by_client IS NULL)
    AND (signed_at IS NULL OR state IN ('released', 'withdrawn')) AND (state <> 'released' OR signed_at IS NOT NULL));
--> statement-breakpoint
-- One at a time is made of a period and a policy, and one stands.
CREATE UNIQUE INDEX population_release_standing ON population_release (tenant_id, period, policy)
  WHERE state IN ('computing', 'drafted', 'released');
--> statement-breakpoint
-- A release goes one way: computing, then refused or drafted; a draft is released or withdrawn; what is released can be withdrawn.
-- On each step only that step's columns may change, so what was computed is as it was for ever. A trigger binds the owner too.
CREATE FUNCTION freeze_release() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
  step text;
  may_change text[];
BEGIN
  IF TG_OP IN ('DELETE', 'TRUNCATE') THEN
    RAISE EXCEPTION 'a release is never deleted: withdraw it' USING ERRCODE = 'restrict_violation';
  END IF;
  IF TG_OP = 'INSERT' THEN
    IF NEW.state <> 'computing' THEN
      RAISE EXCEPTION 'a release begins as computing' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
  END IF;
  step := OLD.state || '>' || NEW.state;
  may_change := CASE step
    WHEN 'computing>computing' THEN ARRAY['progress_done', 'progress_total']
    WHEN 'computing>refused' THEN ARRAY['state', 'progress_done', 'progress_total', 'reason']
    WHEN 'computing>drafted' THEN ARRAY['state', 'progress_done', 'progress_total', 'body', 'sha256', 'audit', 'publication']
    WHEN 'drafted>released' THEN ARRAY['state', 'signed_at', 'signed_by_client', 'signed_by_name']
    WHEN 'drafted>withdrawn' THEN ARRAY['state', 'reason', 'withdrawn_at', 'withdrawn_by_client', 'withdrawn_by_name']
    WHEN 'released>withdrawn' THEN ARRAY['state', 'reason', 'withdrawn_at', 'withdrawn_by_client', 'withdrawn_by_name']
  END;
  IF may_change IS NULL OR to_jsonb(OLD) - may_change IS DISTINCT FROM to_jsonb(NEW) - may_change THEN
    RAISE EXCEPTION 'a release is frozen: % is no step that may change this', step USING ERRCODE = 'restrict_violation';
  END IF;
  RETURN NEW;
END
$$;
--> statement-breakpoint
CREATE TRIGGER freeze_release BEFORE INSERT OR UPDATE OR DELETE ON population_release
  FOR EACH ROW EXECUTE FUNCTION freeze_release();
--> statement-breakpoint
CREATE TRIGGER freeze_releases BEFORE TRUNCATE ON population_release
  FOR EACH STATEMENT EXECUTE FUNCTION freeze_release();
--> statement-breakpoint
-- Queues the making of a release in the caller's transaction; one that waits already stays one. SECURITY DEFINER, so that the
-- service needs no rights on the job tables; the tenant is the one of the session, never an argument.
CREATE FUNCTION queue_release(release_number integer) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_job(
    'make-release', json_build_object('tenantId', t, 'number', release_number),
    job_key => 'release:' || t || ':' || release_number, job_key_mode => 'preserve_run_at')
  FROM (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
  WHERE t IS NOT NULL;
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION queue_release(integer), freeze_release() FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION queue_release(integer) TO tidegate_service;
