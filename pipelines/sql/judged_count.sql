-- Fold: sessions by group, by what is named besides, and by reason (empty: counted), with events and patients. Patients
-- with one session stand together: these need no comparing.
with patient as (
  select
    {groups}
    {also}
    reason,
    if(has_others, patient_key, null) as one_of_several,
    count(*) as sessions,
    count(*) filter ({event}) as events
  from {judged}
  group by all
)

select
  {groups}
  {also}
  reason,
  sum(sessions)::bigint as sessions,
  sum(events)::bigint as events,
  sum(if(one_of_several is null, sessions, 1))::bigint as patients
from patient
group by all
