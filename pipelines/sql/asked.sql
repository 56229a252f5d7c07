-- Contacts about the starting session that no session prompted, before any next session here.
-- Only a contact that answers whether there was surgery elsewhere tells that there was none.
select
  v.session_key,
  v.visited_on - s.start_on as day,
  v.surgery_elsewhere_since as answer
from visit v
join start s on s.session_key = v.session_key
where
  v.visit_reason is distinct from 'session'
  and v.visited_on <= s.observed_to
  and v.visited_on < coalesce(s.next_here_on, 'infinity'::date)
