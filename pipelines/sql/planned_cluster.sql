-- Fold: sums over patients of the sessions that are counted and of their events.
select
  count(*) as n_clusters,
  coalesce(sum(events), 0)::bigint as sum_y,
  coalesce(sum(sessions), 0)::bigint as sum_x,
  coalesce(sum(events * events), 0)::bigint as sum_yy,
  coalesce(sum(events * sessions), 0)::bigint as sum_xy,
  coalesce(sum(sessions * sessions), 0)::bigint as sum_xx
from (
  select count(*) as sessions, count(*) filter (had_event) as events
  from {judged}
  where reason is null
  group by patient_key
)
