-- What each day of contact about a session answers on one item; contacts on one day count as one.
select
  v.session_key,
  v.visited_on - s.start_on as day,
  bool_or({answered}) as answered,
  coalesce(bool_or({positive}), false) as positive,
  coalesce(bool_or({seen}), false) as seen
from visit v
join session_here s on s.session_key = v.session_key
where
  v.visited_on - s.start_on <= $closes
  and v.visited_on <= s.observed_to
group by v.session_key, day
