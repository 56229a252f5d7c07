-- What complication records say of a session, one row a kind and severity (or worse): the first and last day of onset,
-- and whether one has none. A kind whose item has degrees of its own is told by records at any severity alone.
with asked as (
  select unnest($severities) as severity, unnest($ranks) as rank
)

select
  s.session_id,
  c.kind,
  a.severity,
  min(c.onset_day) as first_onset,
  max(c.onset_day) as last_onset,
  bool_or(c.onset_day is null) as undated
from complication c
join complication_session s on s.session_key = c.session_key
join asked a on list_position($severity_codes, c.severity) >= a.rank
where
  list_contains($kinds, c.kind)
  and (a.severity = 'any' or not list_contains($own_degrees, c.kind))
group by all
