-- Every session of the practice with what was placed and taken up to it, over all sessions known by then.
-- A sum is empty where one of the sessions does not say, or where a session number is skipped.
with so_far as (
  select
    session_key,
    count(*) over up_to as sessions,
    count(grafts_total) over up_to as told_placed,
    count(grafts_harvested) over up_to as told_taken,
    sum(grafts_total) over up_to as placed,
    sum(grafts_harvested) over up_to as taken
  from known_session
  window up_to as (partition by patient_key order by session_number, performed_on)
)

select
  {groups}
  h.patient_key,
  h.session_key,
  least(h.session_number, $last_number)::bigint as number,
  h.barred,
  1::bigint as one,
  if(f.told_placed = h.session_number and f.sessions = h.session_number, f.placed, null)::bigint as placed_so_far,
  if(f.told_taken = h.session_number and f.sessions = h.session_number, f.taken, null)::bigint as taken_so_far,
  taken_so_far / nullif(p.donor_density_fu_cm2, 0) as area_so_far,
  p.donor_density_fu_cm2 as density,
  k.grafts_harvested::bigint as taken,
  k.grafts_transected::bigint as transected,
  k.grafts_discarded::bigint as discarded,
  (k.grafts_1_hair + k.grafts_2_hair + k.grafts_3_hair + k.grafts_4_hair)::bigint as sized,
  (k.grafts_1_hair + 2 * k.grafts_2_hair + 3 * k.grafts_3_hair + 4 * k.grafts_4_hair)::bigint as hairs
from session_here h
join known_session k on k.session_key = h.session_key
join so_far f on f.session_key = h.session_key
join patient p on p.patient_key = h.patient_key
