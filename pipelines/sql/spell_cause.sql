-- Estimand "here" with all that ends the wait: a next session here, by its reason where asked, or death before one.
select
  {groups}
  patient_key,
  first_operated,
  'here' as ending,
  barred,
  entry_day,
  least(end_day, here_day) as exit_day,
  case
    when here_day <= end_day then {session_cause}
    when died_day = end_day then 'death'
  end as ended_by,
  ended_by is not null as had_event
from start
