-- All sessions here after the first, to the end of the records or death; had_event: death was seen.
with further as (
  select
    s.session_key,
    list(k.performed_on - s.start_on order by k.performed_on) as session_days
  from start s
  join known_session k on k.patient_key = s.patient_key and k.is_here and k.performed_on > s.start_on
  where k.performed_on - s.start_on between s.entry_day + 1 and s.end_day
  group by s.session_key
)

select
  {groups}
  s.patient_key,
  first_operated,
  'here' as ending,
  barred,
  entry_day,
  end_day as exit_day,
  coalesce(died_day = end_day, false) as had_event,
  coalesce(f.session_days, []) as session_days
from start s
left join further f on f.session_key = s.session_key
