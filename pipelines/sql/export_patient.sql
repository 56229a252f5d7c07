-- The patients of a cohort who may leave, under the key of this export, with their index session; what became known
-- after $as_of is empty.
select
  p.* replace (
    export_key(p.patient_key) as patient_key,
    if(p.last_contact_on > $as_of::date, null, p.last_contact_on) as last_contact_on,
    if(p.last_contact_on > $as_of::date, null, p.last_contact_reason) as last_contact_reason,
    if(p.died_on > $as_of::date, null, p.died_on) as died_on,
    if(greatest(p.last_contact_on, p.died_on) > $as_of::date, null, p.status_at_last_contact)
      as status_at_last_contact
  ),
  p.patient_key as registry_key,
  m.index_on,
  m.index_session_key,
  (
    select count(*)
    from known_session s
    where s.patient_key = p.patient_key and s.is_here
  ) as sessions_here
from cohort_patient m
join patient p on p.patient_key = m.patient_key
where m.left_out_by is null
