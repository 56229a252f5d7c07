-- Fold: sessions by group and reason (empty: counted), with patients, and those found gone and then back.
select
  {groups}
  reason,
  count(*) as sessions,
  {patients} as patients,
  count(*) filter (gone_then_back) as gone_then_back
from duration_session
group by all
