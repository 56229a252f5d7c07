-- The sessions of a step, each with its responsible surgeon and what its patient brought along: nothing that a surgeon
-- chooses. "Asked, and not known" is not known. Letters of a stage stand with their number (IIa with II).
select
  j.*,
  ('0x' || left(md5(j.patient_key), 6))::integer as draw,
  s.surgeon_code,
  s.site_code,
  s.performed_on,
  -- given only where they differ from the responsible surgeon
  coalesce(s.harvest_by, s.surgeon_code) as harvest_by,
  coalesce(s.placed_by, s.surgeon_code) as placed_by,
  p.age_at_first_surgery_years,
  nullif(p.sex, 'unknown') as sex,
  nullif(p.smoking, 'unknown') as smoking,
  nullif(p.diabetes, 'unknown') as diabetes,
  case
    when p.pattern_scale <> 'norwood_hamilton' then p.pattern_scale
    when regexp_matches(p.pattern_stage, '^I{1,3}($|[^IV])') then 'early'
    when regexp_matches(p.pattern_stage, '^(IV|V)($|[^I])') then 'middle'
    when p.pattern_stage is not null then 'advanced'
  end as extent_of_loss,
  p.hair_calibre_um,
  p.hair_curl,
  if(s.session_number > 1, 'yes', 'no') as operated_before
from {judged} j
join session s on s.session_key = j.session_key
join patient p on p.patient_key = j.patient_key
