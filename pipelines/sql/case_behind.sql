-- The sessions that a question was asked of, with what became of each: the event, none, or why it cannot be told.
select
  j.session_key,
  j.patient_key,
  s.site_code,
  s.surgeon_code,
  s.performed_on,
  coalesce(j.reason, if(j.had_event, 'event', 'no_event')) as state
from {judged} j
join session s using (session_key)
