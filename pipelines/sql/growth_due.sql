-- The sessions whose grafts could have been counted: those that were, and those that were not though they were due.
select
  {groups}
  patient_key,
  1::bigint as due,
  (reason is null)::bigint as counted,
  placed,
  growing
from growth
where reason is null or list_contains($due, reason)
