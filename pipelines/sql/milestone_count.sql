-- Fold: sessions by group, milestone and reason (empty: counted), of milestones whose days ended in a span of time,
-- with events and patients, as in `judged_count`.
with patient as (
  select
    {groups}
    milestone,
    reason,
    if(has_others, patient_key, null) as one_of_several,
    count(*) as sessions,
    count(*) filter (had_event) as events
  from milestone_contact
  where
    closed_on between coalesce($closed_from::date, closed_on) and coalesce($closed_to::date, closed_on)
  group by all
)

select
  {groups}
  milestone,
  reason,
  sum(sessions)::bigint as sessions,
  sum(events)::bigint as events,
  sum(if(one_of_several is null, sessions, 1))::bigint as patients
from patient
group by all
