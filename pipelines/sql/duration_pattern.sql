-- Fold: patients alike in all their intervals and groups share a pattern, n of them. One row a pattern, group and
-- interval, with how many such sessions each of its patients has. Numbered by content, so that draws can be repeated.
-- Most patients have one session: these are counted without a list each, which takes a third of the time.
with several as (
  select patient_key
  from duration_session
  where reason is null
  group by patient_key
  having count(*) > 1
),

once as (
  select
    {groups}
    left_day,
    right_day,
    count(*) as n
  from duration_session
  anti join several using (patient_key)
  where reason is null
  group by all
),

of_patient as (
  select
    patient_key,
    list(struct_pack({group_fields} left_day := left_day, right_day := right_day)
      order by {groups} left_day, right_day) as intervals
  from duration_session
  semi join several using (patient_key)
  where reason is null
  group by patient_key
),

alike as (
  select
    intervals,
    count(*) as n
  from of_patient
  group by intervals
  union all
  select
    [struct_pack({group_fields} left_day := left_day, right_day := right_day)] as intervals,
    n
  from once
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
