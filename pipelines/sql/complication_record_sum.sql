-- Fold: complication records with an onset in the window, about sessions counted, by group.
select
  {j_groups}
  count(*) as records
from complication c
join complication_session s on s.session_key = c.session_key
join complication_judged j on j.session_id = s.session_id
where
  {reason} = {counted}
  and list_contains($kinds, c.kind)
  and list_position($severity_codes, c.severity) >= $rank
  and if($ever, coalesce(c.onset_day, 0) <= s.observed_day, c.onset_day <= $last_day)
group by all
