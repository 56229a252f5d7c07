-- Every session, here or elsewhere, of the patients who may leave. number_here counts those here.
select
  s.*,
  p.index_on,
  s.performed_on - p.index_on as session_day,
  s.session_key = p.index_session_key as is_index,
  if(s.is_here, s.number_of_kind, null) as number_here
from known_session s
join export_patient p on p.patient_key = s.patient_key
