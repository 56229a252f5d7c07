-- Fold: how many patients have exactly the same history of further sessions.
select
  {groups}
  entry_day,
  exit_day,
  had_event::integer as died,
  session_days,
  count(*) as alike
from coded_spell
where reason is null and first_operated = 'here'
group by all
