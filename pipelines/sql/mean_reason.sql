-- Sessions by milestone that have no value, by reason.
select
  {at} as milestone,
  reason,
  count(*) as sessions
from {judged}
where reason is not null
group by all
