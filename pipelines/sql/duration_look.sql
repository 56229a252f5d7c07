-- Every look and what it found: a contact that answers; a complication record of the kind looked on the days it names.
-- Not looks: contacts that a symptom prompted (they find it more often than those by the calendar) and days
-- before $from_day (gone may then mean not yet begun). Days from a further session on are not used: they tell of both
-- sessions.
select
  session_key,
  day,
  {present} as present
from contact
where
  {answered}
  and visit_reason is distinct from 'symptom'
  and day >= $from_day
  and day < coalesce(next_day, day + 1)
union all
select
  s.session_key,
  c.day,
  c.present
from (
  select
    session_key,
    unnest([onset_day, last_present_day, first_absent_day]) as day,
    unnest([true, true, false]) as present
  from complication
  where kind = $kind
) c
join judged_session s on s.session_key = c.session_key
where
  c.day >= $from_day
  and s.start_on + c.day::integer <= s.observed_to
  and c.day < coalesce(s.next_on - s.start_on, c.day + 1)
