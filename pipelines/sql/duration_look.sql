-- What each look at a session found, one row a day; two looks on one day find it where either does.
-- A complication record of the kind looked on the days it names. Not used: contacts that a symptom prompted (they find
-- it more often than looks by the calendar), days before $from_day (gone may then mean not yet begun), and days from
-- a further session on (they tell of both sessions).
with look as (
  select
    s.session_id,
    v.visited_on - s.start_on as day,
    {present} as present
  from visit v
  join judged_session s on s.session_key = v.session_key
  where {answered} and v.visit_reason is distinct from 'symptom'
  union all
  select
    s.session_id,
    unnest([c.onset_day, c.last_present_day, c.first_absent_day]) as day,
    unnest([true, true, false]) as present
  from complication c
  join judged_session s on s.session_key = c.session_key
  where c.kind = $kind
)

select
  l.session_id,
  l.day,
  bool_or(l.present) as present
from look l
join judged_session s on s.session_id = l.session_id
where
  l.day >= $from_day
  and s.start_on + l.day::integer <= s.observed_to
  and l.day < coalesce(s.next_on - s.start_on, l.day + 1)
group by l.session_id, l.day
