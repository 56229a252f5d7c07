-- Who enters, has an event or leaves without one, by day. Whoever is seen from the session itself does not enter.
select
  {groups}
  first_operated,
  ending,
  exit_day as day,
  0 as entered,
  {event_sums},
  sum(if(had_event, 0, n)) as censored,
  sum(n) as leaving
from spell_count
where reason is null
group by all
union all by name
select
  {groups}
  first_operated,
  ending,
  entry_day as day,
  sum(n) as entered
from spell_count
where reason is null and entry_day > 0
group by all
