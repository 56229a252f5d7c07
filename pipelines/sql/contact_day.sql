-- What each day of contact about a session answers, for every measure at once, as bits of one number; contacts on one
-- day count as one.
select
  session_key,
  day,
  any_value(next_day) as next_day,
  bit_or({answers}) as answers
from contact
where day <= $latest_close
group by session_key, day
