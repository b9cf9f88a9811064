/** What /metrics tells, as docs/observability.md explains it; names and units as Prometheus asks (https://prometheus.io/docs/practices/naming/). */
export interface DeclaredMetric {
  readonly name: string;
  readonly type: "counter" | "gauge" | "histogram";
  readonly help: string;
  readonly labels: readonly string[];
  /** Upper bounds in seconds, of a histogram. */
  readonly buckets?: readonly number[];
}

const requestSeconds = [0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10];
const jobSeconds = [0.01, 0.05, 0.1, 0.25, 0.5, 1, 5, 15, 60, 300, 1_800];
const statementSeconds = [0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.5, 1, 5, 30];

function counter(name: string, help: string, ...labels: string[]): DeclaredMetric {
  return { name, type: "counter", help, labels };
}

function gauge(name: string, help: string, ...labels: string[]): DeclaredMetric {
  return { name, type: "gauge", help, labels };
}

function histogram(name: string, help: string, buckets: readonly number[], ...labels: string[]): DeclaredMetric {
  return { name, type: "histogram", help, labels, buckets };
}

/** Every metric by the name that the code uses; no label ever holds an id, an address or a tenant. */
export const metricList = {
  build: gauge("tidegate_build", "1, with the version of the software.", "version"),
  started: gauge("tidegate_process_start_time_seconds", "When the process started, in Unix time."),
  ready: gauge("tidegate_ready", "Whether a check of /health/ready holds: 1 or 0.", "check"),

  requests: counter("tidegate_http_requests_total", "Requests answered.", "route", "method", "status"),
  duration: histogram("tidegate_http_request_duration_seconds", "Time to answer.", requestSeconds, "route", "method"),
  inFlight: gauge("tidegate_http_requests_in_flight", "Requests that wait for their answer."),
  refused: counter("tidegate_http_refused_total", "Requests refused, by R4 issue type.", "kind"),

  loopLag: gauge("tidegate_event_loop_lag_seconds", "Delay of the event loop since it was last asked for.", "quantile"),
  memory: gauge("tidegate_memory_bytes", "Memory of the process.", "area"),
  cpu: counter("tidegate_cpu_seconds_total", "Processor time of the process.", "mode"),

  jobs: gauge("tidegate_jobs", "Jobs in the job table.", "kind", "state"),
  jobsOldest: gauge("tidegate_jobs_oldest_wait_seconds", "Age of the job that is due and waits longest.", "kind"),
  jobsDone: counter("tidegate_jobs_done_total", "Jobs that this process has done.", "kind", "outcome"),
  jobDuration: histogram("tidegate_job_duration_seconds", "Time that a job took here.", jobSeconds, "kind"),

  auditBuffer: gauge("tidegate_audit_buffer_entries", "Entries of reads that this process has yet to write."),
  auditNoted: gauge("tidegate_audit_noted_entries", "Entries of writes that are noted and not yet chained."),
  bulkJobs: gauge("tidegate_bulk_jobs", "Exports and imports.", "kind", "state"),
  uploads: gauge("tidegate_uploads", "Uploads that were refused in whole or in part.", "status"),
  messages: gauge("tidegate_messages", "HL7 v2 messages that were refused in whole or in part.", "status"),
  subscriptions: gauge("tidegate_subscriptions", "Subscriptions.", "state"),
  notifications: gauge("tidegate_notifications_waiting", "Events that active Subscriptions are yet to be told."),
  notificationsOldest: gauge("tidegate_notifications_oldest_wait_seconds", "Age of the oldest of those events."),
  sent: counter("tidegate_notifications_sent_total", "Requests that this process sent to endpoints.", "outcome"),
  sendDuration: histogram("tidegate_notification_duration_seconds", "Time until an endpoint answered.", requestSeconds),
  rowsAstray: gauge("tidegate_rows_astray", "Rows that lie in no month's partition.", "table"),

  connections: gauge("tidegate_database_connections", "Connections to the database.", "pool", "state"),
  statements: histogram(
    "tidegate_database_statement_seconds",
    "Time until a statement was answered.",
    statementSeconds,
  ),
  replicaLag: gauge("tidegate_replica_lag_seconds", "How old the replica is at most; absent while it is left out."),
  replicaInUse: gauge("tidegate_replica_in_use", "Whether reads go to the replica: 1 or 0."),
  countsAge: gauge("tidegate_counts_age_seconds", "How old the numbers are that come from the database."),
  countsFailed: counter("tidegate_counts_failed_total", "Times that those could not be read."),
} as const satisfies Readonly<Record<string, DeclaredMetric>>;

/** What a metric is called in the code. */
export type MetricKey = keyof typeof metricList;
