-- What the contacts about a session tell, one row a session: by window the closing contact (the first on or after its
-- end), and by item the first contact that did not answer, told of the event, or saw it.
-- A contact on the day of the session has nothing to ask about, so it cannot break the chain.
select
  session_id,
  {closing_columns}
  {contact_columns}
  max(day) as last_visit_day
from complication_contact_day
group by session_id
