-- What somebody outside may know of each patient, and answers that nobody outside should learn.
select
  p.patient_key,
  p.sex,
  p.age_at_first_surgery_years as age,
  if(p.dates_shifted, null, year(p.index_on)) as index_year,
  p.indication,
  p.pattern_scale || ' ' || coalesce(p.pattern_stage, '') as pattern,
  p.hair_colour,
  p.sessions_here,
  p.smoking,
  p.diabetes,
  case
    when list_has_any(p.medical_therapy, ['none', 'unknown']) then p.medical_therapy[1]
    when p.medical_therapy is not null then 'any'
  end as medical_therapy
from export_patient p
order by 1
