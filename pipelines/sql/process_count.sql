-- Fold: sessions by group, question and reason (empty: counted), with events and patients, as in `judged_count`.
with patient as (
  select
    {groups}
    measure,
    reason,
    if(has_others, patient_key, null) as one_of_several,
    count(*) as sessions,
    count(*) filter (had_event) as events
  from {judged}
  group by all
)

select
  {groups}
  measure,
  reason,
  sum(sessions)::bigint as sessions,
  sum(events)::bigint as events,
  sum(if(one_of_several is null, sessions, 1))::bigint as patients
from patient
group by all
