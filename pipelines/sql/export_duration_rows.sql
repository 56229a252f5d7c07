-- One row a session in which the measure is known: it ended after left_day, and on right_day at the latest; empty
-- where it was never seen to have ended. Days are on the measure's grid; keys are the registry's.
select
  d.session_key,
  $measure as measure,
  d.left_day,
  d.right_day
from duration_session d
where d.reason is null
