-- Fold: patients alike in all their intervals and groups share a pattern, n of them. One row a pattern, group and
-- interval, with how many such sessions each of its patients has. Numbered by content, so that draws can be repeated.
with of_patient as (
  select
    patient_key,
    list(struct_pack({group_fields} left_day := left_day, right_day := right_day)
      order by {groups} left_day, right_day) as intervals
  from duration_session
  where reason is null
  group by patient_key
),

alike as (
  select
    intervals,
    count(*) as n
  from of_patient
  group by intervals
),

one_interval as (
  select
    row_number() over (order by intervals) as pattern,
    n,
    unnest(intervals, recursive := true)
  from alike
)

select
  *,
  count(*) as sessions
from one_interval
group by all
