-- Every patient with the first session here, and the number of the first step of the cohort that leaves the patient
-- out; empty where none does.
select
  p.patient_key,
  s.session_key as index_session_key,
  s.performed_on as index_on,
  case {leaves_out} end as left_out_by
from patient p
left join known_session s on s.patient_key = p.patient_key and s.is_here and s.number_of_kind = 1
where s.session_key is not null or p.enrolled_on <= coalesce($as_of::date, p.enrolled_on)
