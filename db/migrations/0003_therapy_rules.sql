CREATE TABLE "threshold_setting" (
	"tenant_id" integer NOT NULL,
	"plan_id" text collate "C" NOT NULL,
	"version" integer NOT NULL,
	"set_at" timestamp with time zone NOT NULL,
	"set_by" text collate "C",
	"note" text collate "C",
	"settings" jsonb NOT NULL,
	CONSTRAINT "threshold_setting_tenant_id_plan_id_version_pk" PRIMARY KEY("tenant_id","plan_id","version")
);
--> statement-breakpoint
CREATE TABLE "clock_check" (
	"tenant_id" integer NOT NULL,
	"upload_id" text collate "C" NOT NULL,
	"device_id" text collate "C" NOT NULL,
	"read_at" timestamp with time zone NOT NULL,
	"drift_ms" bigint NOT NULL,
	CONSTRAINT "clock_check_tenant_id_upload_id_pk" PRIMARY KEY("tenant_id","upload_id")
);
--> statement-breakpoint
CREATE TABLE "device_alert" (
	"tenant_id" integer NOT NULL,
	"observation_id" text collate "C" NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"device_id" text collate "C" NOT NULL,
	"code" text collate "C" NOT NULL,
	"at" timestamp with time zone NOT NULL,
	"local_day" date NOT NULL,
	CONSTRAINT "device_alert_tenant_id_observation_id_pk" PRIMARY KEY("tenant_id","observation_id")
);
--> statement-breakpoint
ALTER TABLE "finding_task" ADD COLUMN "priority" text collate "C";--> statement-breakpoint
ALTER TABLE "finding_task" ADD COLUMN "service_priority" text collate "C";--> statement-breakpoint
ALTER TABLE "finding_task" ADD COLUMN "due_day" date;--> statement-breakpoint
ALTER TABLE "patient_summary" ADD COLUMN "part_needs" jsonb DEFAULT '[]'::jsonb NOT NULL;--> statement-breakpoint
ALTER TABLE "device_use" ADD COLUMN "soiled_day" date;--> statement-breakpoint
ALTER TABLE "device_use" ADD COLUMN "checked_day" date;--> statement-breakpoint
ALTER TABLE "therapy_session" ADD COLUMN "cycles_short_of_pressure" integer;--> statement-breakpoint
CREATE INDEX "clock_check_device" ON "clock_check" USING btree ("tenant_id","device_id","read_at");--> statement-breakpoint
CREATE INDEX "device_alert_patient" ON "device_alert" USING btree ("tenant_id","patient_id","at");--> statement-breakpoint
-- Tenant isolation for the new tables, as for all others.
DO $$
DECLARE
  t text;
BEGIN
  FOREACH t IN ARRAY ARRAY['threshold_setting', 'clock_check', 'device_alert']
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
-- Every change of a threshold is a version; none is ever changed or taken away.
REVOKE UPDATE, DELETE ON threshold_setting FROM tidegate_service;
