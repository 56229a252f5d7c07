-- What those contacts tell, one row a starting session.
with told as (
  select
    session_key,
    max(day) filter (tells) as last_visit_day,
    max(day) filter (tells and answer in ('yes', 'no')) as last_answer_day,
    min(day) filter (tells and answer = 'yes') as first_yes_day,
    list(day) filter (tells and answer = 'no') as no_days,
    min(day) filter (answer = 'yes') as first_yes_at_all_day
  from asked
  group by session_key
)

select
  * exclude (no_days),
  -- surgery elsewhere known from an answer: in the middle between the last no before it (or the session) and the yes
  case
    when first_yes_day is not null
      then (coalesce(list_max(list_filter(no_days, lambda day: day < first_yes_day)), 0) + first_yes_day) // 2
  end as told_day
from told
