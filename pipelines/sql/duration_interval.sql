-- Between which two days it ended: after the last look that found it (or the session), up to the first later one that
-- did not. So where it was gone and came back, only the end for good counts. Days are rounded to the nearest of the
-- grid, whatever the look found; two looks that fall together are one step apart.
with found as (
  select
    session_id,
    coalesce(max(day) filter (present), 0) as last_present_day,
    list(day) filter (not present) as absent_days
  from duration_look
  group by session_id
),

ended as (
  select
    session_id,
    last_present_day,
    list_min(list_filter(absent_days, lambda day: day > last_present_day)) as first_absent_day,
    coalesce(list_min(absent_days) < last_present_day, false) as gone_then_back
  from found
)

select
  session_id,
  (2 * last_present_day + $grid) // (2 * $grid) * $grid as left_day,
  greatest(
    (2 * first_absent_day + $grid) // (2 * $grid) * $grid,
    if(first_absent_day is null, null, left_day + $grid)
  ) as right_day,
  gone_then_back
from ended
