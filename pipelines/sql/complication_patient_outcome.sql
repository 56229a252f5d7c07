-- One row a patient, group, kind and severity with an event after any session that is due.
with due as (
  select
    e.* replace ({reason_of_kind} as reason),
    e.reason as session_reason
  from complication_outcome e
  join complication_patient_reason s
    on s.patient_no = e.patient_no {and_same_group}
)

select
  {groups}
  min(session_id) as session_id,
  patient_no,
  kind,
  severity,
  bool_or(had_event) as had_event,
  bool_or(sure) as sure,
  any_value(reason) as reason
from due
where session_reason is distinct from 'not_due' or reason = 'not_due'
group by {groups} patient_no, kind, severity
