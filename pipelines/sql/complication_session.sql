-- The sessions to be judged with their patients numbered, so that what follows joins and groups by numbers.
with person as (
  select patient_key, row_number() over () as patient_no
  from judged_session
  group by patient_key
)

select
  {groups}
  s.session_id,
  p.patient_no,
  s.barred,
  s.observed_to - s.start_on as observed_day,
  s.next_on - s.start_on as next_day,
  s.died_on - s.start_on as died_day,
  s.status_at_last_contact in ('not_reached', 'left_care') as out_of_reach,
  s.last_contact_on - s.start_on as last_contact_day
from judged_session s
join person p on p.patient_key = s.patient_key
