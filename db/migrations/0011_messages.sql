CREATE TABLE "received_message" (
	"tenant_id" integer NOT NULL,
	"message_id" text collate "C" NOT NULL,
	"received_at" timestamp with time zone NOT NULL,
	"sender" text collate "C" NOT NULL,
	"control_id" text collate "C" NOT NULL,
	"client_id" text collate "C" NOT NULL,
	"message_code" text collate "C" NOT NULL,
	"trigger_event" text collate "C" NOT NULL,
	"event_at" timestamp with time zone,
	"sequence_number" integer,
	"answers" jsonb NOT NULL,
	"patient_ids" text[] collate "C" NOT NULL,
	"corrects" text collate "C",
	CONSTRAINT "received_message_tenant_id_message_id_pk" PRIMARY KEY("tenant_id","message_id")
);
--> statement-breakpoint
CREATE UNIQUE INDEX "received_message_control" ON "received_message" USING btree ("tenant_id","sender","control_id") WHERE corrects is null;--> statement-breakpoint
CREATE INDEX "received_message_newest" ON "received_message" USING btree ("tenant_id","received_at","message_id");--> statement-breakpoint
CREATE INDEX "received_message_sequence" ON "received_message" USING btree ("tenant_id","sender","received_at") WHERE sequence_number is not null;--> statement-breakpoint
CREATE INDEX "received_message_patients" ON "received_message" USING gin ("patient_ids");
--> statement-breakpoint
-- Tenant isolation as for all others. Whom a message was about is read by clients alone that no record is withheld from
-- (`unclearedCeiling`), as the uploads beside it.
ALTER TABLE received_message ENABLE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE received_message FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
CREATE POLICY tenant_only ON received_message USING (tenant_id = nullif(current_setting('tidegate.tenant', true), '')::integer);
--> statement-breakpoint
-- What arrived is never taken away by the service itself.
GRANT SELECT, INSERT, UPDATE ON received_message TO tidegate_service;
