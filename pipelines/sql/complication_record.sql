-- What complication records say of a session, one row a kind and severity (or worse): an onset inside the window or
-- after it, or none given. A kind whose item has degrees of its own is told by records at any severity alone.
with asked as (
  select unnest($severities) as severity, unnest($ranks) as rank
)

select
  s.session_id,
  c.kind,
  a.severity,
  coalesce(bool_or(if($ever, true, c.onset_day <= $last_day)), false) as within,
  coalesce(bool_or(c.onset_day > $last_day), false) as later,
  bool_or(c.onset_day is null) as undated
from complication c
join judged_session s on s.session_key = c.session_key
join asked a on list_position($severity_codes, c.severity) >= a.rank
where
  list_contains($kinds, c.kind)
  and (a.severity = 'any' or not list_contains($own_degrees, c.kind))
  and (not $ever or s.start_on + coalesce(c.onset_day, 0) <= coalesce(s.observed_to, 'infinity'::date))
group by all
