-- One row a mature count that tells the yield of its area, with what the yield may depend on.
-- "Asked, and not known" is not known.
select
  s.patient_key,
  m.session_key,
  m.area_label,
  m.placed,
  m.growing,
  m.placed_density,
  m.zone,
  m.method,
  k.site_code,
  k.out_of_body_minutes,
  k.grafts_total,
  k.technique,
  k.holding_solution,
  100.0 * k.grafts_transected / nullif(k.grafts_harvested, 0) as transection_percent,
  p.hair_calibre_um,
  p.hair_curl,
  nullif(p.smoking, 'unknown') as smoking
from mature_count m
join session_here s on s.session_key = m.session_key
join session k on k.session_key = m.session_key
join patient p on p.patient_key = s.patient_key
where s.barred is null and m.growing is not null
