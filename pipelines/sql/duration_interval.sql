-- Between which two days it ended: after the last look that found it (or the session), up to the first later one that
-- did not. So where it was gone and came back, only the end for good counts; two looks on one day find it where either
-- does. Days are rounded to the nearest of the grid, whatever the look found; two looks that fall together are one step
-- apart. Sessions with a contact and no look have no interval.
with found as (
  select
    session_id,
    bool_or(looked) as looked,
    bool_or(is_contact) as any_contact,
    bool_or(present_before) as present_before,
    coalesce(max(day) filter (looked and present), 0) as last_present_day,
    list(day) filter (looked and present) as present_days,
    list(day) filter (looked and not present) as absent_days
  from duration_look
  group by session_id
),

ended as (
  select
    * exclude (present_days, absent_days),
    list_min(list_filter(absent_days, lambda day: day > last_present_day)) as first_absent_day,
    coalesce(
      list_min(absent_days) < last_present_day
      and len(list_filter(
        absent_days, lambda day: day < last_present_day and not list_contains(present_days, day)
      )) > 0,
      false
    ) as gone_then_back
  from found
)

select
  session_id,
  looked,
  any_contact,
  present_before,
  (2 * last_present_day + $grid) // (2 * $grid) * $grid as left_day,
  greatest(
    (2 * first_absent_day + $grid) // (2 * $grid) * $grid,
    if(first_absent_day is null, null, left_day + $grid)
  ) as right_day,
  gone_then_back
from ended
