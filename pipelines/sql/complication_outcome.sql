-- Those events with their group, patient and why the session is not counted (empty: it is).
select
  {groups}
  s.session_id,
  s.patient_no,
  e.kind,
  e.severity,
  e.had_event,
  e.sure,
  {reason_of_kind} as reason
from complication_event e
join complication_reason s on s.session_id = e.session_id
