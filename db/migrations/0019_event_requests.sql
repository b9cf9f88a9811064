-- Who asked for a write may ask what was told of it: events name the request, and so do the lines of the log about their delivery.
-- Events of before name none, nor do those of processes of before while they still run.
ALTER TABLE "event_log" ADD COLUMN "request_id" text collate "C";--> statement-breakpoint
ALTER TABLE "event_outbox" ADD COLUMN "request_id" text collate "C";--> statement-breakpoint
ALTER TABLE "subscription_event" ADD COLUMN "request_id" text collate "C";
