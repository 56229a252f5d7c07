-- What the contacts about each session tell, for every question at once: of windows after the session, and of
-- milestones.
with in_windows as (
  select
    session_key,
    {window_columns}
  from contact_day
  where day <= $windows_close
  group by session_key
),

at_milestones as (
  select
    session_key,
    {milestone_columns}
  from contact_day
  where day between $milestones_open and $milestones_close and day < coalesce(next_day, day + 1)
  group by session_key
)

from in_windows
full join at_milestones using (session_key)
