-- Between which two days it ended: after the last look that found it (or the session), up to the first later one that
-- did not. So where it was gone and came back, only the end for good counts; two looks on one day find it where either
-- does. Days are rounded to the nearest of the grid, whatever the look found; two looks that fall together are one step
-- apart.
with found as (
  select
    session_key,
    coalesce(max(day) filter (present), 0) as last_present_day,
    min(day) filter (not present) as first_absent_day
  from duration_look
  group by session_key
),

back_day as (
  -- the looks of the few who had one that did not find it before one that did, or on the same day
  select
    l.session_key,
    l.day,
    bool_or(l.present) as present,
    any_value(f.last_present_day) as last_present_day
  from duration_look l
  join found f on f.session_key = l.session_key and f.first_absent_day <= f.last_present_day
  group by l.session_key, l.day
),

back as (
  select
    session_key,
    min(day) filter (day > last_present_day) as first_absent_day,
    bool_or(not present and day < last_present_day) as gone_then_back
  from back_day
  group by session_key
),

ended as (
  select
    f.* replace (if(b.session_key is null, f.first_absent_day, b.first_absent_day) as first_absent_day),
    coalesce(b.gone_then_back, false) as gone_then_back
  from found f
  left join back b on b.session_key = f.session_key
),

rounded as (
  select
    *,
    {last_present_on_grid} as left_day,
    {first_absent_on_grid} as absent_day
  from ended
)

select
  session_key,
  left_day,
  case
    when absent_day > left_day then absent_day
    when absent_day is not null then left_day + if(left_day < $fine_until, $grid, $coarse)
  end as right_day,
  gone_then_back
from rounded
