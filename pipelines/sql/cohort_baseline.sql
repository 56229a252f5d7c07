-- The patients of a cohort who consented, with their group, and with their index session as `s`.
select
  {group} as "group",
  {columns}
from cohort_patient m
join patient p on p.patient_key = m.patient_key
join known_session s on s.session_key = m.index_session_key
where m.left_out_by is null
