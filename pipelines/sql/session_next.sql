-- What came next to each session, here or elsewhere, that had taken place and was known of by $as_of.
select
  session_key,
  surgeon_code <> $elsewhere as is_here,
  lead(performed_on) over (partition by patient_key order by session_number, performed_on) as next_on,
  lead(surgeon_code) over (partition by patient_key order by session_number, performed_on) = $elsewhere
    as next_is_elsewhere,
  lead(learned_on) over (partition by patient_key order by session_number, performed_on) as next_learned_on,
  lead(performed_on) over (
    partition by patient_key, surgeon_code = $elsewhere order by session_number, performed_on
  ) as next_of_kind_on,
  lead(session_reason) over (
    partition by patient_key, surgeon_code = $elsewhere order by session_number, performed_on
  ) as next_of_kind_reason,
  lead(session_number) over (
    partition by patient_key, surgeon_code = $elsewhere order by session_number, performed_on
  ) > session_number + 1 as skips_a_number,
  row_number() over (
    partition by patient_key, surgeon_code = $elsewhere order by session_number, performed_on
  ) as number_of_kind,
  min(if(surgeon_code = $elsewhere, null, session_number)) over (partition by patient_key) as first_number_here
from session
where
  greatest(performed_on, learned_on) <= coalesce($as_of::date, greatest(performed_on, learned_on))
