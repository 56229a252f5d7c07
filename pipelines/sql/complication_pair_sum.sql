-- Fold: of how many pairs both are counted (both_), both have the event (events_), and one has it and the other is
-- counted (mixed_, a pair may do so either way round).
with pattern as (
  select
    {groups}
    {told} as told,
    {other} as other,
    count(*) as n
  from complication_pair
  group by all
)

select
  {groups}
  {pair_sums}
from pattern
group by all
