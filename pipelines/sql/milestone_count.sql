-- Fold: sessions by group, milestone and reason (empty: counted), of milestones whose days ended in a span of time.
select
  {groups}
  milestone,
  reason,
  count(*) as sessions,
  count(*) filter (had_event) as events,
  {patients} as patients
from milestone_contact
where
  closed_on between coalesce($closed_from::date, closed_on) and coalesce($closed_to::date, closed_on)
group by all
