-- The other keys under which a patient came, before they were merged. Keys that were merged into a key that was merged in
-- turn belong to the last one.
with recursive under as (
  select kept_key as patient_key, other_key from patient_merge where undone_by_intake_id is null
  union
  select m.kept_key, u.other_key
  from under u
  join patient_merge m on m.other_key = u.patient_key and m.undone_by_intake_id is null
)

select
  patient_key,
  string_agg(other_key, ' ' order by other_key) as other_patient_keys
from under
group by patient_key
