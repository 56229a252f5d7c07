-- Who enters, has the event or leaves without it, by day. Whoever is seen from the session itself does not enter.
select
  {groups}
  first_operated,
  ending,
  exit_day as day,
  0 as entered,
  sum(if(had_event, n, 0)) as events,
  sum(if(had_event, 0, n)) as censored
from spell_count
where reason is null
group by all
union all by name
select
  {groups}
  first_operated,
  ending,
  entry_day as day,
  sum(n) as entered,
  0 as events,
  0 as censored
from spell_count
where reason is null and entry_day > 0
group by all
