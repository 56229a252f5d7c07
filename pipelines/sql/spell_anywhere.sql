-- Estimand "anywhere": two spells a session, one a source.
-- Here: a next session that is the first anywhere. Site records show every one of them, so whoever cannot have one any
-- more, having been elsewhere, known or not, stays to the end of the records like everyone without one.
-- Elsewhere: seen only up to the last contact that would have told of it, and before a next session here.
select
  {groups}
  patient_key,
  first_operated,
  'here' as ending,
  barred,
  entry_day,
  if(is_first, here_day, end_day) as exit_day,
  is_first as had_event
from known_end
union all by name
select
  {groups}
  patient_key,
  first_operated,
  'elsewhere' as ending,
  barred,
  entry_day,
  least(end_day, contact_day, elsewhere_day) as exit_day,
  elsewhere_day is not null as had_event
from known_end
