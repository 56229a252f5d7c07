-- Contacts about the starting session. One made before any next session here, which no session prompted, can tell of
-- surgery elsewhere, or that there was none; only where it answers.
select
  c.session_key,
  c.day,
  c.surgery_elsewhere_since as answer,
  c.visit_reason is distinct from 'session' and c.day < coalesce(s.here_day, c.day + 1) as tells
from contact c
join start s on s.session_key = c.session_key
