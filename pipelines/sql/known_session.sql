-- Sessions, here or elsewhere, that had taken place and were known of by $as_of, with what came next.
select
  s.*,
  n.* exclude (session_key)
from session s
join session_next n on n.session_key = s.session_key
