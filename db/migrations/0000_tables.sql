CREATE TABLE "coverage" (
	"tenant_id" integer NOT NULL,
	"upload_id" text collate "C" NOT NULL,
	"device_id" text collate "C" NOT NULL,
	"started_at" timestamp with time zone NOT NULL,
	"ended_at" timestamp with time zone NOT NULL,
	CONSTRAINT "coverage_tenant_id_upload_id_started_at_pk" PRIMARY KEY("tenant_id","upload_id","started_at")
);
--> statement-breakpoint
CREATE TABLE "device" (
	"tenant_id" integer NOT NULL,
	"device_id" text collate "C" NOT NULL,
	"kind" text collate "C" NOT NULL,
	"parent_id" text collate "C",
	"identifiers" text[] NOT NULL,
	"active" boolean NOT NULL,
	"service_due_day" date,
	CONSTRAINT "device_tenant_id_device_id_pk" PRIMARY KEY("tenant_id","device_id")
);
--> statement-breakpoint
CREATE TABLE "device_identifier" (
	"tenant_id" integer NOT NULL,
	"identifier" text collate "C" NOT NULL,
	"device_id" text collate "C" NOT NULL,
	CONSTRAINT "device_identifier_tenant_id_identifier_device_id_pk" PRIMARY KEY("tenant_id","identifier","device_id")
);
--> statement-breakpoint
CREATE TABLE "device_use" (
	"tenant_id" integer NOT NULL,
	"use_id" text collate "C" NOT NULL,
	"device_id" text collate "C" NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"started_at" timestamp with time zone NOT NULL,
	"ended_at" timestamp with time zone,
	"on_hold" boolean NOT NULL,
	CONSTRAINT "device_use_tenant_id_use_id_pk" PRIMARY KEY("tenant_id","use_id")
);
--> statement-breakpoint
CREATE TABLE "finding_task" (
	"tenant_id" integer NOT NULL,
	"task_id" text collate "C" NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"rule" text collate "C" NOT NULL,
	"subject" text collate "C" NOT NULL,
	"episode" integer NOT NULL,
	"status" text collate "C" NOT NULL,
	"severity" text collate "C" NOT NULL,
	"evidence_digest" text collate "C" NOT NULL,
	"closed_at" timestamp with time zone,
	"closed_by" text collate "C",
	"cleared_since" boolean NOT NULL,
	"open" boolean NOT NULL,
	CONSTRAINT "finding_task_tenant_id_task_id_pk" PRIMARY KEY("tenant_id","task_id")
);
--> statement-breakpoint
CREATE TABLE "patient" (
	"tenant_id" integer NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"zone" text collate "C" NOT NULL,
	"sort_name" text collate "C" NOT NULL,
	"active" boolean NOT NULL,
	"birth_day" date,
	"deceased_day" date,
	"replaced_by" text collate "C",
	"organization_id" text collate "C",
	CONSTRAINT "patient_tenant_id_patient_id_pk" PRIMARY KEY("tenant_id","patient_id")
);
--> statement-breakpoint
CREATE TABLE "patient_fact" (
	"tenant_id" integer NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"kind" text collate "C" NOT NULL,
	"source_id" text collate "C" NOT NULL,
	"fact" jsonb NOT NULL,
	CONSTRAINT "patient_fact_tenant_id_patient_id_kind_source_id_pk" PRIMARY KEY("tenant_id","patient_id","kind","source_id")
);
--> statement-breakpoint
CREATE TABLE "patient_summary" (
	"tenant_id" integer NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"reviewed_day" date NOT NULL,
	"reviewed_at" timestamp with time zone NOT NULL,
	"days_used_ratio" real,
	"sessions_completed_ratio" real,
	"days_used" jsonb NOT NULL,
	"sessions_completed" jsonb NOT NULL,
	"urgent_count" integer NOT NULL,
	"review_count" integer NOT NULL,
	"information_count" integer NOT NULL,
	"findings" jsonb NOT NULL,
	"last_session_at" timestamp with time zone,
	"covered_until" timestamp with time zone,
	"next_part_due_day" date,
	"next_part_kind" text collate "C",
	CONSTRAINT "patient_summary_tenant_id_patient_id_pk" PRIMARY KEY("tenant_id","patient_id")
);
--> statement-breakpoint
CREATE TABLE "received_upload" (
	"tenant_id" integer NOT NULL,
	"upload_id" text collate "C" NOT NULL,
	"received_at" timestamp with time zone NOT NULL,
	"last_tried_at" timestamp with time zone NOT NULL,
	"attempts" integer NOT NULL,
	"content_type" text collate "C" NOT NULL,
	"content_encoding" text collate "C" NOT NULL,
	"sha256" "bytea" NOT NULL,
	"bytes" "bytea" NOT NULL,
	"status" text collate "C" NOT NULL,
	"reason" text collate "C",
	"device_identifier" text collate "C",
	"device_id" text collate "C",
	"report" jsonb NOT NULL,
	CONSTRAINT "received_upload_tenant_id_upload_id_pk" PRIMARY KEY("tenant_id","upload_id")
);
--> statement-breakpoint
CREATE TABLE "refused_record" (
	"tenant_id" integer NOT NULL,
	"upload_id" text collate "C" NOT NULL,
	"position" integer NOT NULL,
	"kind" text collate "C" NOT NULL,
	"refusals" jsonb NOT NULL,
	"received" jsonb NOT NULL,
	"session_id" text collate "C",
	CONSTRAINT "refused_record_tenant_id_upload_id_position_pk" PRIMARY KEY("tenant_id","upload_id","position")
);
--> statement-breakpoint
CREATE TABLE "resource" (
	"tenant_id" integer NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL,
	"version" integer NOT NULL,
	"last_updated" timestamp with time zone NOT NULL,
	"deleted" boolean DEFAULT false NOT NULL,
	"patient_id" text collate "C",
	"started_at" timestamp with time zone,
	"ended_at" timestamp with time zone,
	"terms" bigint[] NOT NULL,
	"quantity_keys" bigint[],
	"quantity_units" bigint[],
	"quantity_lows" double precision[],
	"quantity_highs" double precision[],
	"body" text NOT NULL,
	CONSTRAINT "resource_tenant_id_type_id_pk" PRIMARY KEY("tenant_id","type","id")
);
--> statement-breakpoint
CREATE TABLE "resource_date" (
	"tenant_id" integer NOT NULL,
	"key" bigint NOT NULL,
	"low" timestamp with time zone NOT NULL,
	"high" timestamp with time zone NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL
);
--> statement-breakpoint
CREATE TABLE "resource_string" (
	"tenant_id" integer NOT NULL,
	"key" bigint NOT NULL,
	"folded" text collate "C" NOT NULL,
	"exact" text collate "C" NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL
);
--> statement-breakpoint
CREATE TABLE "resource_version" (
	"tenant_id" integer NOT NULL,
	"type" text collate "C" NOT NULL,
	"id" text collate "C" NOT NULL,
	"version" integer NOT NULL,
	"last_updated" timestamp with time zone NOT NULL,
	"deleted" boolean NOT NULL,
	"body" text NOT NULL,
	CONSTRAINT "resource_version_tenant_id_type_id_version_pk" PRIMARY KEY("tenant_id","type","id","version")
);
--> statement-breakpoint
CREATE TABLE "tenant" (
	"tenant_id" integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY (sequence name "tenant_tenant_id_seq" INCREMENT BY 1 MINVALUE 1 MAXVALUE 2147483647 START WITH 1 CACHE 1),
	"slug" text collate "C" NOT NULL,
	CONSTRAINT "tenant_slug_unique" UNIQUE("slug")
);
--> statement-breakpoint
CREATE TABLE "therapy_session" (
	"tenant_id" integer NOT NULL,
	"patient_id" text collate "C" NOT NULL,
	"started_at" timestamp with time zone NOT NULL,
	"ended_at" timestamp with time zone NOT NULL,
	"session_id" text collate "C" NOT NULL,
	"device_id" text collate "C" NOT NULL,
	"sequence_number" bigint,
	"device_start" text collate "C" NOT NULL,
	"local_day" date NOT NULL,
	"day_part" text collate "C",
	"read_at" timestamp with time zone NOT NULL,
	"record_digest" "bytea" NOT NULL,
	"test" boolean NOT NULL,
	"profile_slot" text collate "C",
	"trigger_mode" text collate "C",
	"stop_reason" text collate "C",
	"cycles_delivered" integer,
	"cycles_triggered" integer,
	"set_insufflation_pressure_cmh2o" double precision,
	"set_exsufflation_pressure_cmh2o" double precision,
	"set_insufflation_seconds" double precision,
	"set_exsufflation_seconds" double precision,
	"set_pause_seconds" double precision,
	"achieved_insufflation_pressure_cmh2o" double precision[],
	"achieved_exsufflation_pressure_cmh2o" double precision[],
	"insufflated_volume_ml" double precision,
	"peak_cough_flow_l_per_min" double precision,
	"leak_l_per_min" double precision,
	"lowest_spo2_percent" double precision,
	"mean_spo2_percent" double precision,
	"pulse_per_min" double precision,
	CONSTRAINT "therapy_session_tenant_id_session_id_pk" PRIMARY KEY("tenant_id","session_id")
);
--> statement-breakpoint
CREATE INDEX "coverage_device" ON "coverage" USING btree ("tenant_id","device_id","ended_at");--> statement-breakpoint
CREATE INDEX "device_use_device" ON "device_use" USING btree ("tenant_id","device_id","started_at");--> statement-breakpoint
CREATE INDEX "device_use_patient" ON "device_use" USING btree ("tenant_id","patient_id");--> statement-breakpoint
CREATE UNIQUE INDEX "finding_task_one_open" ON "finding_task" USING btree ("tenant_id","patient_id","rule","subject") WHERE open;--> statement-breakpoint
CREATE INDEX "finding_task_patient" ON "finding_task" USING btree ("tenant_id","patient_id","rule","subject");--> statement-breakpoint
CREATE INDEX "patient_name" ON "patient" USING btree ("tenant_id","sort_name","patient_id");--> statement-breakpoint
CREATE INDEX "patient_fact_source" ON "patient_fact" USING btree ("tenant_id","source_id");--> statement-breakpoint
CREATE INDEX "patient_summary_reviewed" ON "patient_summary" USING btree ("tenant_id","reviewed_day");--> statement-breakpoint
CREATE INDEX "received_upload_status" ON "received_upload" USING btree ("tenant_id","status","received_at");--> statement-breakpoint
CREATE INDEX "received_upload_device" ON "received_upload" USING btree ("tenant_id","device_identifier","reason");--> statement-breakpoint
CREATE INDEX "resource_patient_time" ON "resource" USING btree ("tenant_id","type","patient_id","started_at") WHERE patient_id is not null;--> statement-breakpoint
CREATE INDEX "resource_changed" ON "resource" USING btree ("tenant_id","type","last_updated","id");--> statement-breakpoint
CREATE INDEX "resource_terms" ON "resource" USING gin ("terms");--> statement-breakpoint
CREATE INDEX "resource_date_value" ON "resource_date" USING btree ("tenant_id","key","low");--> statement-breakpoint
CREATE INDEX "resource_date_resource" ON "resource_date" USING btree ("tenant_id","type","id");--> statement-breakpoint
CREATE INDEX "resource_string_value" ON "resource_string" USING btree ("tenant_id","key","folded");--> statement-breakpoint
CREATE INDEX "resource_string_resource" ON "resource_string" USING btree ("tenant_id","type","id");--> statement-breakpoint
CREATE INDEX "therapy_session_patient_time" ON "therapy_session" USING btree ("tenant_id","patient_id","started_at");