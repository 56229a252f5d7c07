-- What each day of contact about a session answers, tells and saw, as bits of one number; contacts on one day are one.
select
  s.session_id,
  (v.visited_on - s.start_on)::integer as day,
  bit_or({contact_answers}) as answers
from visit v
join complication_session s on s.session_key = v.session_key
where
  v.visited_on - s.start_on <= $latest_close
  and v.visited_on - s.start_on <= s.observed_day
group by s.session_id, day
