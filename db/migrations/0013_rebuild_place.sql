CREATE TABLE "rebuild_place" (
	"tenant_id" integer NOT NULL,
	"type" text collate "C" NOT NULL,
	"after_id" text collate "C" NOT NULL,
	"done" bigint NOT NULL,
	"total" bigint NOT NULL,
	"starts" integer NOT NULL,
	"started_at" timestamp with time zone NOT NULL,
	"finished_at" timestamp with time zone,
	CONSTRAINT "rebuild_place_tenant_id_pk" PRIMARY KEY("tenant_id")
);

--> statement-breakpoint
ALTER TABLE rebuild_place ENABLE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE rebuild_place FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
CREATE POLICY tenant_only ON rebuild_place USING (tenant_id = nullif(current_setting('tidegate.tenant', true), '')::integer);
--> statement-breakpoint
GRANT SELECT, INSERT, UPDATE, DELETE ON rebuild_place TO tidegate_service;
