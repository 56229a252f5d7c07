-- One row a mature count that tells the yield of its area, with its patient.
select
  {groups}
  s.patient_key,
  m.*
from mature_count m
join session_here s on s.session_key = m.session_key
where s.barred is null and m.growing is not null
