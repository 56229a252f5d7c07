-- Fold: sessions by group, question and reason (empty: counted).
select
  {groups}
  measure,
  reason,
  count(*) as sessions,
  count(*) filter (had_event) as events,
  count(distinct patient_key) as patients
from {judged}
group by all
