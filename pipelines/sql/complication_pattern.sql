-- Fold: sessions (or patients) by group and by what a window tells of them, and what that number means.
with pattern as (
  select
    {groups}
    has_others,
    {told} as told,
    count(*) as n
  from {judged}
  group by all
)

select
  {groups}
  has_others,
  {meanings}
  n
from pattern
