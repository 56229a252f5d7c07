-- Fold: events that records alone tell of, by group, window, kind, severity and reason.
select
  {groups}
  window_no,
  kind,
  severity,
  reason,
  happened,
  count(*) as n
from {record_event}
group by all
