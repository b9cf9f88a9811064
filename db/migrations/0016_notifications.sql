CREATE TABLE "event_head" (
	"tenant_id" integer NOT NULL,
	"number" bigint NOT NULL,
	"watched_until" timestamp with time zone NOT NULL,
	CONSTRAINT "event_head_tenant_id_pk" PRIMARY KEY("tenant_id")
);
--> statement-breakpoint
CREATE TABLE "event_log" (
	"tenant_id" integer NOT NULL,
	"number" bigint NOT NULL,
	"at" timestamp with time zone NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL,
	"version" integer NOT NULL,
	"action" text collate "C" NOT NULL,
	"patient_id" text collate "C",
	CONSTRAINT "event_log_tenant_id_number_pk" PRIMARY KEY("tenant_id","number")
);
--> statement-breakpoint
CREATE TABLE "event_outbox" (
	"tenant_id" integer NOT NULL,
	"sequence" bigserial NOT NULL,
	"at" timestamp with time zone NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL,
	"version" integer NOT NULL,
	"action" text collate "C" NOT NULL,
	"patient_id" text collate "C",
	CONSTRAINT "event_outbox_tenant_id_sequence_pk" PRIMARY KEY("tenant_id","sequence")
);
--> statement-breakpoint
CREATE TABLE "subscription_event" (
	"tenant_id" integer NOT NULL,
	"subscription_id" text collate "C" NOT NULL,
	"number" bigint NOT NULL,
	"at" timestamp with time zone NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL,
	"version" integer NOT NULL,
	"action" text collate "C" NOT NULL,
	"patient_id" text collate "C",
	CONSTRAINT "subscription_event_tenant_id_subscription_id_number_pk" PRIMARY KEY("tenant_id","subscription_id","number")
);
--> statement-breakpoint
CREATE TABLE "subscription_state" (
	"tenant_id" integer NOT NULL,
	"subscription_id" text collate "C" NOT NULL,
	"client_id" text collate "C" NOT NULL,
	"scopes" text NOT NULL,
	"state" text collate "C" NOT NULL,
	"secret" "bytea" NOT NULL,
	"headers" text NOT NULL,
	"events" bigint NOT NULL,
	"delivered" bigint NOT NULL,
	"read_to" bigint NOT NULL,
	"failures" integer DEFAULT 0 NOT NULL,
	"try_at" timestamp with time zone NOT NULL,
	"heartbeat_at" timestamp with time zone,
	"claimed_until" timestamp with time zone NOT NULL,
	"problem" text,
	CONSTRAINT "subscription_state_tenant_id_subscription_id_pk" PRIMARY KEY("tenant_id","subscription_id")
);
--> statement-breakpoint
CREATE INDEX "event_log_at" ON "event_log" USING btree ("tenant_id","at");--> statement-breakpoint
CREATE INDEX "subscription_event_at" ON "subscription_event" USING btree ("tenant_id","at");
--> statement-breakpoint
-- Tenant isolation as for all others. What tells of resources shows to a confined reader where the resource itself does.
DO $do$
DECLARE
  t text;
  free text := $$(SELECT coalesce(nullif(current_setting('tidegate.types', true), ''),
    nullif(current_setting('tidegate.limited_types', true), ''), nullif(current_setting('tidegate.patient', true), ''),
    nullif(current_setting('tidegate.organizations', true), ''), nullif(current_setting('tidegate.confidentiality', true), ''),
    nullif(current_setting('tidegate.denied_as', true), '')) IS NULL)$$;
BEGIN
  FOREACH t IN ARRAY ARRAY['event_head', 'event_outbox', 'event_log', 'subscription_state', 'subscription_event']
  LOOP
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', t);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', t);
    EXECUTE format(
      'CREATE POLICY tenant_only ON %I USING (tenant_id = nullif(current_setting(''tidegate.tenant'', true), '''')::integer)', t);
    EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO tidegate_service', t);
  END LOOP;
  FOREACH t IN ARRAY ARRAY['event_outbox', 'event_log', 'subscription_event']
  LOOP
    EXECUTE format('CREATE POLICY withheld ON %1$I AS RESTRICTIVE FOR SELECT USING (%2$s OR EXISTS (
      SELECT FROM resource r WHERE r.tenant_id = %1$I.tenant_id AND r.type = %1$I.type AND r.id = %1$I.id))', t, free);
  END LOOP;
END
$do$;
--> statement-breakpoint
GRANT USAGE ON SEQUENCE event_outbox_sequence_seq TO tidegate_service;
--> statement-breakpoint
ALTER TABLE subscription_state
  ADD CONSTRAINT subscription_state_state CHECK (state IN ('requested', 'active', 'error', 'off')),
  ADD CONSTRAINT subscription_state_delivered CHECK (delivered BETWEEN 0 AND events);
--> statement-breakpoint
-- Queues a job for each Subscription that something is due for: events to look at or to send, a handshake, a heartbeat. A write
-- queues nothing itself: writers of one tenant would wait for each other at the job's row. So every worker asks once a second.
-- A job that a worker holds counts for nothing, for the worker may be dead; who works on what is settled by claimed_until.
-- SECURITY DEFINER, so that the service needs no rights on the job tables; tenant by tenant, for the policies bind the owner too.
CREATE FUNCTION queue_notifications(at timestamptz) RETURNS integer
LANGUAGE plpgsql SECURITY DEFINER SET search_path FROM CURRENT AS $$
DECLARE
  before text := current_setting('tidegate.tenant', true);
  owner integer;
  due record;
  queued integer := 0;
BEGIN
  FOR owner IN SELECT t.tenant_id FROM tenant t LOOP
    PERFORM set_config('tidegate.tenant', owner::text, true);
    FOR due IN
      SELECT s.subscription_id FROM subscription_state s JOIN event_head h ON h.tenant_id = s.tenant_id
      WHERE s.tenant_id = owner AND s.state IN ('requested', 'active') AND s.try_at <= at AND s.claimed_until <= at
        AND (s.state = 'requested' OR s.read_to < h.number OR s.delivered < s.events OR s.heartbeat_at <= at
          OR EXISTS (SELECT FROM event_outbox o WHERE o.tenant_id = owner))
    LOOP
      CONTINUE WHEN EXISTS (SELECT FROM graphile_worker.jobs j
        WHERE j.key = 'notify:' || owner || ':' || due.subscription_id AND j.locked_at IS NULL AND j.attempts < j.max_attempts);
      PERFORM graphile_worker.add_job('deliver-notifications',
        json_build_object('tenantId', owner, 'subscriptionId', due.subscription_id),
        job_key => 'notify:' || owner || ':' || due.subscription_id, max_attempts => 3);
      queued := queued + 1;
    END LOOP;
  END LOOP;
  PERFORM set_config('tidegate.tenant', coalesce(before, ''), true);
  RETURN queued;
END
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION queue_notifications(timestamptz) FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION queue_notifications(timestamptz) TO tidegate_service;
