-- What the registry knows of itself: its version, what happened to its records, and the rows it holds back.
-- Run again on a registry of an older version, it adds the tables that came later.
-- key_salt: random, made with the registry; it goes into every hash of an erased key.
create table if not exists registry_info (
  schema_version integer not null,
  created_on date not null,
  created_by_version varchar not null,
  key_salt varchar not null check (regexp_full_match(key_salt, '[0-9a-f]{64}')),
  next_held_back_id bigint not null
);

-- Order-independent sums over the current content of each record table, kept up to date by every event.
create table if not exists content_sum (
  record_type varchar not null,
  row_count bigint not null,
  lower_sum hugeint not null,
  upper_sum hugeint not null
);

-- Every event that may change records or rows held back, numbered without gaps.
create table if not exists intake (
  intake_id integer not null,
  kind varchar not null check (kind in ('files', 'retry', 'dismiss', 'declare', 'merge', 'unmerge', 'erase')),
  received_at timestamp not null,
  received_by varchar not null,
  program_version varchar not null,
  snapshot_before varchar not null,
  snapshot_after varchar not null
);

-- rows_read = rows_loaded + rows_corrected + rows_unchanged + rows_held_back + rows_refused.
-- rows_waiting are among those held back, rows_warned among those loaded or corrected.
create table if not exists intake_file (
  intake_id integer not null,
  file_name varchar not null,
  sheet varchar,
  sha256 varchar not null,
  mapping_digest varchar,
  record_type varchar not null,
  site_codes varchar[] not null,
  rows_read bigint not null,
  rows_loaded bigint not null,
  rows_corrected bigint not null,
  rows_unchanged bigint not null,
  rows_held_back bigint not null,
  rows_waiting bigint not null,
  rows_refused bigint not null,
  rows_warned bigint not null
);

-- Rows held back before that an event judged again, by themselves because their parent came, or by a retry.
create table if not exists intake_returned (
  intake_id integer not null,
  record_type varchar not null,
  rows_judged bigint not null,
  rows_loaded bigint not null,
  rows_corrected bigint not null,
  rows_unchanged bigint not null,
  rows_held_back bigint not null,
  rows_refused bigint not null
);

-- What each check of each file found, warnings included. Rows that the registry held already are not judged.
-- first_rows: the first of those that failed; none of rows that were refused, and none after an erasure of a patient
-- whose rows came in the same event.
create table if not exists validation_result (
  intake_id integer not null,
  file_name varchar not null,
  sheet varchar,
  record_type varchar not null,
  rule varchar not null,
  field varchar not null,
  severity varchar not null check (severity in ('held back', 'warning')),
  reason varchar not null,
  mend varchar not null,
  rows_judged bigint not null,
  rows_failed bigint not null,
  first_rows bigint[] not null
);

-- One line a row held back. It never changes but for being closed.
-- record_key: where it is well-formed, else null. content: its fields as text; source_content: its row in the site's
-- own columns, where a mapping read it. waits: nothing is wrong with it but that its parent is not there.
-- replaced_by: the entry of the same record that a later event held back in its place.
-- unmapped: fields whose value the mapping could not read, so that the content lacks them.
create table if not exists held_back_row (
  held_back_id bigint not null,
  intake_id integer not null,
  file_name varchar not null,
  sheet varchar,
  sha256 varchar not null,
  row_number bigint not null,
  record_type varchar not null,
  record_key varchar,
  site_code varchar,
  mapping_digest varchar,
  content varchar not null,
  source_content varchar,
  waits boolean not null,
  closed_as varchar check (closed_as in ('loaded', 'corrected', 'replaced', 'dismissed')),
  closed_by_intake_id integer,
  replaced_by bigint,
  dismissed_reason varchar,
  unmapped varchar[],
  status varchar generated always as (coalesce(closed_as, case when waits then 'waiting' else 'open' end))
);

-- One line a rule that such a row broke.
create table if not exists held_back (
  held_back_id bigint not null,
  rule varchar not null,
  field varchar not null,
  reason varchar not null,
  mend varchar not null
);

-- Two keys of one patient. While undone_by_intake_id is null, what comes under other_key belongs to kept_key.
create table if not exists patient_merge (
  intake_id integer not null,
  kept_key varchar not null,
  other_key varchar not null,
  undone_by_intake_id integer
);

-- Sessions that came under the other key of a merge, so that undoing it gives them back.
create table if not exists merged_session (
  other_key varchar not null,
  session_key varchar not null
);

-- What an erasure leaves: when, how many rows, and salted hashes by which the same keys are known again.
create table if not exists erasure (
  intake_id integer not null,
  erased_on date not null
);

create table if not exists erased_rows (
  intake_id integer not null,
  record_type varchar not null,
  place varchar not null check (place in ('current', 'history', 'held back')),
  row_count bigint not null
);

create table if not exists erased_key (
  intake_id integer not null,
  record_type varchar not null,
  key_hash varchar not null
);

-- Reports written from this registry, so that an erasure can say which of them counted the patient.
create table if not exists report_ledger (
  report_id integer not null,
  kind varchar not null,
  period varchar,
  intake_id integer not null,
  snapshot varchar not null,
  written_at timestamp not null
);

-- Cohorts by name. A definition never changes: defining the name again with other content adds a version.
create table if not exists cohort_definition (
  name varchar not null check (regexp_full_match(name, '[a-z][a-z0-9_-]{0,39}')),
  version integer not null,
  definition varchar not null,
  defined_at timestamp not null,
  defined_by varchar not null,
  program_version varchar not null,
  snapshot varchar not null
);

-- What left the registry for research.
-- seeded: the keys can be made again by whoever knows the seed and the registry's keys.
create table if not exists export_ledger (
  export_id integer not null,
  exported_at timestamp not null,
  exported_by varchar not null,
  cohort varchar not null,
  cohort_version integer not null,
  level varchar not null check (level in ('internal', 'limited', 'anonymous')),
  formats varchar[] not null,
  seeded boolean not null,
  patients bigint not null,
  intake_id integer not null,
  snapshot varchar not null,
  program_version varchar not null
);

create table if not exists export_file (
  export_id integer not null,
  file_name varchar not null,
  sha256 varchar not null
);

-- Salted hashes of the keys of those in an export, so that an erasure can name the exports that held a patient.
create table if not exists exported_patient (
  export_id integer not null,
  key_hash varchar not null
);

-- Case-mix models frozen for comparison, by number. Sums over patients alone: coefficients, counts and tenths.
create table if not exists case_mix_model (
  model_id integer not null,
  reference_from date not null,
  reference_to date not null,
  frozen_at timestamp not null,
  frozen_by varchar not null,
  intake_id integer not null,
  snapshot varchar not null,
  settings varchar not null,
  program_version varchar not null
);

-- One line a measure. surgeons: those with sessions in the reference period. factors: how a session's factors become
-- columns. c_statistic, slope, slope_error, intercept, tenths: of patients left out of the fit; empty where they cannot
-- be told.
create table if not exists case_mix_measure (
  model_id integer not null,
  measure varchar not null,
  surgeons varchar[] not null,
  factors varchar not null,
  not_counted varchar not null,
  c_statistic double,
  slope double,
  slope_error double,
  intercept double,
  tenths varchar
);

-- One line a fit: of all surgeons, and of all but one, so that a surgeon is compared with others alone.
create table if not exists case_mix_fit (
  model_id integer not null,
  measure varchar not null,
  left_out varchar,
  method varchar not null,
  coefficients double[] not null,
  n bigint not null,
  events bigint not null,
  patients bigint not null
);

-- Of a model of the next session, for each of its fits: the cumulative hazard of who stands at 0 in every column, on a
-- coarse grid of days after surgery. It ends where few were still followed.
create table if not exists case_mix_baseline (
  model_id integer not null,
  measure varchar not null,
  left_out varchar,
  days integer[] not null,
  cumulative_hazard double[] not null
);

-- What was opened because a result lay outside the limits of a funnel, or by hand. basis: the result as JSON.
create table if not exists outlier_review (
  review_id integer not null,
  surgeon_code varchar not null,
  measure varchar not null,
  period varchar not null,
  flag varchar not null check (flag in ('alert', 'priority_review', 'by_hand')),
  basis varchar not null,
  intake_id integer not null,
  snapshot varchar not null,
  opened_at timestamp not null,
  opened_by varchar not null
);

-- What was done about it, step by step; nothing is ever changed. words: only in a reply of the surgeon.
create table if not exists outlier_review_step (
  review_id integer not null,
  step_number integer not null,
  step varchar not null check (step in ('data_check', 'case_mix_check', 'clinical_review', 'closed', 'reply')),
  finding varchar not null,
  words varchar,
  intake_id integer not null,
  done_at timestamp not null,
  done_by varchar not null
);

-- What was agreed after looking at figures. owner: a role, never a name. intake_id: the event after which it was
-- written down. It never changes; its closing is a line of its own.
create table if not exists agreed_action (
  action_id integer not null,
  agreed_on date not null,
  about varchar not null,
  words varchar not null,
  owner varchar not null,
  due_on date not null,
  intake_id integer not null,
  recorded_at timestamp not null,
  recorded_by varchar not null
);

create table if not exists agreed_action_closing (
  action_id integer not null,
  closed_on date not null,
  outcome varchar not null check (outcome in ('done', 'not_needed', 'replaced', 'not_done')),
  intake_id integer not null,
  recorded_at timestamp not null,
  recorded_by varchar not null
);
