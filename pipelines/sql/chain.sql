-- The chain of contacts from the session to the closing contact, the first on or after the end of the window.
-- A contact on the day of the session has nothing to ask about, so it cannot break the chain.
select
  session_id,
  min(day) filter (day >= $window) as closing_day,
  min(day) filter (not {answered} and day > 0) as first_unanswered_day,
  min(day) filter ({positive}) as first_positive_day,
  min(day) filter ({seen}) as first_seen_day
from contact_day
where day <= $closes
group by session_id
