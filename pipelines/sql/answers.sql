-- What those contacts tell, one row a starting session.
with told as (
  select
    session_key,
    max(day) filter (tells) as last_visit_day,
    max(day) filter (tells and answer in ('yes', 'no')) as last_answer_day,
    max(day) filter (tells and answer = 'no') as last_no_day,
    min(day) filter (tells and answer = 'yes') as first_yes_day,
    min(day) filter (answer = 'yes') as first_yes_at_all_day
  from asked
  group by session_key
),

taken_back as (
  -- the few with a no on the day of their first yes or after it: their last no before it
  select
    a.session_key,
    max(a.day) as last_no_day
  from asked a
  join told t on t.session_key = a.session_key and t.first_yes_day <= t.last_no_day and a.day < t.first_yes_day
  where a.tells and a.answer = 'no'
  group by a.session_key
)

select
  t.* exclude (last_no_day),
  -- surgery elsewhere known from an answer: in the middle between the last no before it (or the session) and the yes
  (coalesce(if(t.last_no_day < t.first_yes_day, t.last_no_day, b.last_no_day), 0) + t.first_yes_day) // 2 as told_day
from told t
left join taken_back b on b.session_key = t.session_key
