-- What the contacts about each session tell together: the last before a further session, whether sensation was reduced
-- before surgery, and when sutures came out.
select
  session_key,
  max(day) filter (before_next) as last_day,
  coalesce(bool_or(before_next and sensation_before = 'reduced'), false) as sensation_was_reduced,
  min(sutures_out_on) as sutures_out_on
from (select *, day < coalesce(next_day, day + 1) as before_next from contact)
group by session_key
