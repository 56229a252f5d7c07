-- The sessions to be judged, numbered, so that what follows joins by a number rather than by a pseudonym. Without what
-- only the time to the next session asks for: it takes longer to work out than all the rest.
select
  * exclude (
    patient_no,
    number_here,
    session_number,
    next_is_elsewhere,
    next_learned_on,
    next_here_on,
    next_here_reason,
    skips_a_number,
    enrolled_on,
    last_contact_reason,
    first_operated
  ),
  row_number() over () as session_id
from session_here
where session_key is not null
