-- What the registry knows of itself: its version, its intakes, and the rows it holds back.
create table registry_info (
  schema_version integer not null,
  created_on date not null,
  created_by_version varchar not null
);

-- Order-independent sums over the content of each record table, kept up to date by the intake.
create table content_sum (
  record_type varchar not null,
  row_count bigint not null,
  lower_sum hugeint not null,
  upper_sum hugeint not null
);

create table intake (
  intake_id integer not null,
  received_at timestamp not null,
  received_by varchar not null,
  program_version varchar not null,
  snapshot_before varchar not null,
  snapshot_after varchar not null
);

create table intake_file (
  intake_id integer not null,
  file_name varchar not null,
  sha256 varchar not null,
  record_type varchar not null,
  site_codes varchar[] not null,
  rows_read bigint not null,
  rows_loaded bigint not null,
  rows_unchanged bigint not null,
  rows_held_back bigint not null
);

-- One row a broken rule. record_key is kept only where it has the form of a pseudonym; no other value is kept.
create table held_back (
  intake_id integer not null,
  file_name varchar not null,
  record_type varchar not null,
  row_number bigint not null,
  record_key varchar,
  rule varchar not null,
  field varchar,
  reason varchar not null,
  mend varchar not null
);
