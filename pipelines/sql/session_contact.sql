-- What the contacts about each session tell of all durations: the last before a further session, and whether sensation
-- was reduced before surgery.
select
  session_key,
  max(day) as last_day,
  coalesce(bool_or(sensation_before = 'reduced'), false) as sensation_was_reduced
from contact
where day < coalesce(next_day, day + 1)
group by session_key
