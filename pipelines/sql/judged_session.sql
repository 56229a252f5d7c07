-- The sessions to be judged, without what only the time to the next session asks for: it takes longer to work out than
-- all the rest. has_others: the patient may have further sessions here; of all others the session is the patient.
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
  number_here > 1 or next_here_on is not null as has_others
from session_here
where session_key is not null
