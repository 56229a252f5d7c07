-- The sessions to be judged, numbered, with their days counted from surgery, so that what follows joins by numbers.
select
  {groups}
  (row_number() over ())::integer as session_id,
  patient_no::integer as patient_no,
  session_key,
  start_on,
  case barred {barred_codes} end as barred,
  (observed_to - start_on)::integer as observed_day,
  (next_on - start_on)::integer as next_day,
  (died_on - start_on)::integer as died_day,
  status_at_last_contact in ('not_reached', 'left_care') as out_of_reach,
  (last_contact_on - start_on)::integer as last_contact_day
from session_here
where session_key is not null
