-- Severe complications (or of grade IIIa and above) whose onset lies in a span, by kind and site.
select
  s.site_code,
  c.kind,
  count(*) as records,
  count(distinct s.patient_key) as patients
from complication c
join session s using (session_key)
join patient p using (patient_key)
where
  s.surgeon_code <> $elsewhere
  and not coalesce(p.dates_shifted, false)
  and (c.severity = 'severe' or list_contains($grades, c.clavien_dindo))
  and s.performed_on + coalesce(c.onset_day, 0) between $first and $last
group by all
order by records desc, site_code, kind
