-- What the contacts about a session tell, one row a session. By window: before_, what those before its end tell (with
-- no end: those before the next session); closing_, the first on or after its end, its day before the bits it tells.
select
  session_id,
  {contact_columns}
  max(day) as last_visit_day
from complication_contact_day
group by session_id
