-- What the contacts about each session tell, for every question at once.
select
  session_key,
  {question_columns}
from contact_day
group by session_key
