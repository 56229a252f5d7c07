-- Sessions from which the time to the next one runs: each patient's first here, or all of them for a comparison
-- by session number. end_day: the last day of observation, cut by death.
select
  *,
  greatest(enrolled_on - start_on, 0) as entry_day,
  least(observed_to, died_on) - start_on as end_day,
  next_here_on - start_on as here_day
from session_here
where coalesce(number_here, 1) = 1 or $every_session
