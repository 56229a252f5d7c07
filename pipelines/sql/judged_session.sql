-- The sessions to be judged, numbered, so that what follows joins by a number rather than by a pseudonym.
select
  *,
  row_number() over () as session_id
from session_here
where session_key is not null
