-- The sessions of a step, each with what a regression of its outcome takes: of its patient and of the session itself.
-- An answer "unknown" is no value. How grafts were taken and how a strip was closed stand together, since only a strip
-- has a closure; a strip whose closure is not recorded is a level of its own, for it is known to be a strip.
select
  j.*,
  s.site_code,
  case
    when s.technique <> 'strip' then s.technique
    when starts_with(s.donor_closure, 'trichophytic') then 'strip_trichophytic'
    when s.donor_closure = 'plain' then 'strip_plain'
    else 'strip_closure_unknown'
  end as harvest,
  s.grafts_total,
  s.grafts_total / s.recipient_area_cm2 as placed_density,
  case list_contains(s.zones, 'hairline') when true then 'yes' when false then 'no' end as zone_hairline,
  case list_contains(s.zones, 'mid_scalp') when true then 'yes' when false then 'no' end as zone_mid_scalp,
  case list_contains(s.zones, 'vertex') when true then 'yes' when false then 'no' end as zone_vertex,
  s.duration_hours,
  s.out_of_body_minutes,
  p.age_at_first_surgery_years,
  nullif(p.sex, 'unknown') as sex,
  nullif(p.smoking, 'unknown') as smoking
from {judged} j
join session s on s.session_key = j.session_key
join patient p on p.patient_key = j.patient_key
