-- Contacts about the starting session. One made before any next session here, which no session prompted, can tell of
-- surgery elsewhere, or that there was none; only where it answers.
select
  v.session_key,
  v.visited_on - s.start_on as day,
  v.surgery_elsewhere_since as answer,
  v.visit_reason is distinct from 'session' and v.visited_on < coalesce(s.next_here_on, 'infinity'::date) as tells
from visit v
join start s on s.session_key = v.session_key
where
  v.visited_on <= s.observed_to
