-- What those contacts tell, one row a starting session.
select
  session_key,
  max(day) as last_visit_day,
  max(day) filter (answer in ('yes', 'no')) as last_answer_day,
  min(day) filter (answer = 'yes') as first_yes_day
from asked
group by session_key
