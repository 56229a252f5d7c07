-- What is known of each starting session's next one: is_first where one here came first; elsewhere_day, one elsewhere
-- that a contact told of in time; contact_day, up to when contacts tell.
select
  s.*,
  e.contact_day,
  coalesce(not e.elsewhere_came_first and s.here_day <= s.end_day, false) as is_first,
  if(e.elsewhere_day <= e.contact_day and e.elsewhere_day <= s.end_day, e.elsewhere_day, null) as elsewhere_day
from start s
left join elsewhere e on e.session_key = s.session_key
