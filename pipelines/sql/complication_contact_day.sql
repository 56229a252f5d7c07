-- What each day of contact about a session tells, as bits of one number: what was not answered, told, or seen.
-- Contacts on one day are one. One on the day of the session has nothing to ask about, so it leaves nothing unanswered.
with answered as (
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
)

select
  session_id,
  day,
  if(day > 0, xor(answers, {answered_bits}), answers & ~{answered_bits}) as tells
from answered
