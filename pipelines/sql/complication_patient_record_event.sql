-- The same, one row a patient and group: of an event after any session that is due.
with due as (
  select
    e.* replace ({patient_reason_of_kind} as reason),
    e.reason as session_reason
  from complication_record_event e
  join complication_patient_judged p
    on p.patient_no = e.patient_no {and_same_group_of_patient}
)

select
  {groups}
  patient_no,
  kind,
  severity,
  window_no,
  any_value(reason) as reason,
  min(happened) as happened
from due
where session_reason <> {not_due} or reason = {not_due}
group by {groups} patient_no, kind, severity, window_no
