-- Fold: sums over patients of these events squared, and of events times sessions counted, as the variance needs them.
with patient_event as (
  select {groups} patient_no, window_no, kind, severity, count(*) as events
  from {record_event}
  where reason = {counted} and happened <> {undated_record}
  group by {groups} patient_no, window_no, kind, severity
),

with_sessions as (
  select
    e.*,
    count(*) filter ({reason_of_patient_event} = {counted}) as sessions
  from patient_event e
  join {judged} p
    on p.patient_no = e.patient_no {and_same_group_of_patient}
  group by all
)

select
  {groups}
  window_no,
  kind,
  severity,
  sum(events * events)::bigint as sum_yy,
  sum(events * sessions)::bigint as sum_xy
from with_sessions
group by all
