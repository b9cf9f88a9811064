CREATE TABLE "service_key" (
	"tenant_id" integer NOT NULL,
	"name" text collate "C" NOT NULL,
	"key" "bytea" NOT NULL,
	CONSTRAINT "service_key_tenant_id_name_pk" PRIMARY KEY("tenant_id","name")
);

--> statement-breakpoint
ALTER TABLE service_key ENABLE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE service_key FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
CREATE POLICY tenant_only ON service_key USING (tenant_id = nullif(current_setting('tidegate.tenant', true), '')::integer);
--> statement-breakpoint
-- The first process makes a key and all others read it; to change one, the owner deletes it and the processes are restarted.
GRANT SELECT, INSERT ON service_key TO tidegate_service;
