-- Estimand "here": from the session to the next one here, whatever happens elsewhere.
select
  {groups}
  patient_key,
  first_operated,
  'here' as ending,
  barred,
  entry_day,
  least(end_day, here_day) as exit_day,
  coalesce(here_day <= end_day, false) as had_event
from start
