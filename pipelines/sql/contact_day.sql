-- What each day of contact about a session answers, for every measure at once; contacts on one day count as one.
select
  s.session_id,
  v.visited_on - s.start_on as day,
  {contact_answers}
from visit v
join judged_session s on s.session_key = v.session_key
where
  v.visited_on - s.start_on <= $latest_close
  and v.visited_on <= s.observed_to
group by s.session_id, day
