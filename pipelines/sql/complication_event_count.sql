-- Fold: events by group, kind, severity and reason.
select
  {groups}
  kind,
  severity,
  reason,
  count(*) filter (had_event) as events,
  count(*) filter (had_event and not sure) as straddling,
  count(*) filter (not had_event) as undated
from {outcome_table}
group by all
