-- One row a spell with what was known when it began: what a regression of the time to the next session takes.
-- reason: why a spell is not counted, as where the curves are made. Letters of a stage stand with their number (IIa
-- with II). An answer "unknown" is no value; of therapy it is one, together with "not asked".
select
  case
    when t.barred is not null then t.barred
    when t.first_operated = 'elsewhere' then 'not_first_here'
    when t.exit_day < 0 then 'not_due'
    when t.entry_day > 0 and t.entry_day >= t.exit_day then 'enrolled_late'
  end as reason,
  s.patient_key,
  s.site_code,
  s.surgeon_code,
  t.number_here,
  t.start_on,
  t.start_on - min(t.start_on) over (partition by s.patient_key) as start_day,
  t.entry_day,
  t.exit_day,
  t.had_event,
  not t.had_event and p.died_on - t.start_on = t.exit_day as had_died,
  p.age_at_first_surgery_years,
  nullif(p.sex, 'unknown') as sex,
  if(
    p.pattern_scale = 'none',
    'none',
    p.pattern_scale || ' ' || nullif(regexp_extract(p.pattern_stage, '^[IV]+'), '')
  ) as pattern_stage,
  nullif(p.family_history, 'unknown') as family_history,
  case
    when p.medical_therapy is null or list_contains(p.medical_therapy, 'unknown') then 'unknown'
    when list_contains(p.medical_therapy, 'none') then 'none'
    else 'any'
  end as medical_therapy,
  p.hair_calibre_um,
  p.hair_curl,
  case
    when s.further_sessions_planned > 0 then 'yes'
    when s.further_sessions_planned = 0 then 'no'
  end as further_sessions_planned
from spell_here t
left join session s on s.session_key = t.session_key
left join patient p on p.patient_key = s.patient_key
