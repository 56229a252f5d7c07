-- Sessions here by span, with what describes them. Those whose dates were shifted stand in no quarter.
with taken as (
  select
    {span} as span,
    s.*,
    p.age_at_first_surgery_years as age,
    p.sex,
    p.indication
  from session s
  join patient p using (patient_key)
  where
    s.surgeon_code <> $elsewhere
    and not coalesce(p.dates_shifted, false)
    and s.performed_on <= coalesce($as_of::date, s.performed_on)
)

select
  span,
  count(*) as sessions,
  count(distinct patient_key) as patients,
  count(distinct surgeon_code) as surgeons,
  count(*) filter (session_number = 1) as first_sessions,
  count(*) filter (technique = 'strip') as strip,
  count(*) filter (technique = 'follicular_unit_excision') as follicular_unit_excision,
  count(*) filter (technique = 'combined') as combined,
  count(*) filter (sex = 'female') as female,
  count(*) filter (sex is null or sex = 'unknown') as sex_not_known,
  count(*) filter (session_reason in ('scar_revision', 'repair', 'poor_growth')) as repairs,
  quantile_cont(age, [0.25, 0.5, 0.75]) as age_quartiles,
  count(age) as ages_known,
  quantile_cont(grafts_total, [0.25, 0.5, 0.75]) as graft_quartiles,
  count(grafts_total) as grafts_known
from taken
where span is not null
group by span
