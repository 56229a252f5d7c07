-- Records of severe complications (or of grade IIIa and above) whose onset lies in a span, with their session.
select
  s.session_key,
  s.patient_key,
  s.site_code,
  s.surgeon_code,
  s.performed_on,
  c.kind
from complication c
join session s using (session_key)
join patient p using (patient_key)
where
  s.surgeon_code <> $elsewhere
  and not coalesce(p.dates_shifted, false)
  and (c.severity = 'severe' or list_contains($grades, c.clavien_dindo))
  and s.performed_on + coalesce(c.onset_day, 0) between $first and $last
