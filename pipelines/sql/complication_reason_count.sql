-- Fold: sessions (or patients) by group and reason in each class of kinds.
select
  {groups}
  {classes}
  count(*) as n
from {reason_table}
group by all
