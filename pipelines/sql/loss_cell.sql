-- Fold: spells of "elsewhere" seen from the session on, by cell of the model for loss.
select
  {groups}
  exit_day,
  sum(if(had_event, n, 0))::bigint as events,
  sum(if(had_event, 0, n))::bigint as censored
from spell_count
where reason is null and ending = 'elsewhere' and first_operated = 'here' and entry_day = 0
group by {groups} exit_day
