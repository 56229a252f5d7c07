-- One row a session, window, kind and severity (or worse) that records alone tell of.
with placed as (
  select
    j.*,
    r.kind,
    r.severity,
    r.first_onset,
    r.undated,
    unnest([{windows}], recursive := true)
  from complication_record r
  join complication_judged j on j.session_id = r.session_id
  where not list_contains($item_measures, r.kind || ' ' || r.severity)
)

select
  {groups}
  session_id,
  patient_no,
  kind,
  severity,
  window_no,
  {reason_of_kind} as reason,
  case when {within} then {event} when undated then {undated_record} else {nothing} end as happened
from placed
where happened <> {nothing}
