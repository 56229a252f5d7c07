-- Every session, here or elsewhere, of the patients who may leave, under the keys of this export. number_here counts
-- those here. known_to: the last day on which something may have become known.
select
  s.* replace (
    export_key(s.session_key) as session_key,
    p.patient_key as patient_key
  ),
  s.session_key as registry_key,
  p.index_on,
  s.performed_on - p.index_on as session_day,
  s.session_key = p.index_session_key as is_index,
  if(k.is_here, k.number_of_kind, null) as number_here,
  coalesce($as_of::date, 'infinity'::date) as known_to
from session s
join known_session k on k.session_key = s.session_key
join export_patient p on p.registry_key = s.patient_key
