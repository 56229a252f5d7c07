-- Sessions from which the time to the next one runs: each patient's first here; or all of them for a comparison by
-- session number; or those of a number, counted in the patient's life. end_day: the last day of observation, cut by
-- death. died_day: where death was observed.
select
  *,
  greatest(enrolled_on - start_on, 0) as entry_day,
  least(observed_to, died_on) - start_on as end_day,
  if(died_on <= observed_to, died_on - start_on, null) as died_day,
  next_here_on - start_on as here_day
from session_here
where
  if($from_number is null, coalesce(number_here, 1) = 1 or $every_session, session_number between $from_number and $to_number)
