-- Fold: sessions by group and reason (empty: counted), with events and patients.
select
  {groups}
  reason,
  count(*) as sessions,
  count(*) filter (had_event) as events,
  {patients} as patients
from {judged}
group by all
