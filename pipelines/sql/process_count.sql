-- Fold: sessions by group, question and reason (empty: counted).
select
  {groups}
  measure,
  reason,
  count(*) as sessions,
  count(*) filter (had_event) as events,
  {patients} as patients
from {judged}
group by all
