-- Surgery elsewhere known from an answer: put in the middle between the last no (or the session) and the yes.
select
  session_key,
  (
    coalesce(max(asked.day) filter (asked.tells and asked.answer = 'no' and asked.day < first_yes_day), 0)
    + any_value(first_yes_day)
  ) // 2 as told_day
from answers
join asked using (session_key)
where first_yes_day is not null
group by session_key
