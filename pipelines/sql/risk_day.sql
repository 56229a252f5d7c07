-- One row a day: at risk on it are those who leave on it or later and had entered before it.
select
  {groups}
  first_operated,
  ending,
  day,
  (sum(coalesce(sum(leaving), 0) - sum(entered)) over (
    partition by {groups} first_operated, ending order by day rows between current row and unbounded following
  ))::bigint as at_risk,
  sum(entered)::bigint as entered,
  {event_totals},
  coalesce(sum(censored), 0)::bigint as censored
from movement
group by {groups} first_operated, ending, day
