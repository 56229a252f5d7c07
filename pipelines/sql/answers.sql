-- What those contacts tell, one row a starting session.
select
  session_key,
  max(day) filter (tells) as last_visit_day,
  max(day) filter (tells and answer in ('yes', 'no')) as last_answer_day,
  min(day) filter (tells and answer = 'yes') as first_yes_day,
  min(day) filter (answer = 'yes') as first_yes_at_all_day
from asked
group by session_key
