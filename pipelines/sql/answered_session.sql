-- Each session with what its contacts answer.
select
  s.*,
  a.* exclude (session_key)
from judged_session s
left join session_answers a on a.session_key = s.session_key
