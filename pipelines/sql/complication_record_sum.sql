-- Fold: complication records with an onset in the window, about sessions counted, by group.
select
  {r_groups}
  count(*) as records
from complication c
join judged_session s on s.session_key = c.session_key
join complication_reason r on r.session_id = s.session_id
where
  r.reason_records is null
  and list_contains($kinds, c.kind)
  and list_position($severity_codes, c.severity) >= $rank
  and if($ever, s.start_on + coalesce(c.onset_day, 0) <= s.observed_to, c.onset_day <= $last_day)
group by all
