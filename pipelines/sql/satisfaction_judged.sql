-- One row a session and milestone: how satisfied was the patient, or why can that not be told?
-- The contact nearest to the due day that asks speaks; the earlier of two equally near. Contacts after a further
-- session tell of both sessions, so they are not used. had_event: a rating was given.
with rating as (
  select
    c.session_key,
    m.milestone,
    arg_min(c.satisfaction, abs(c.day - m.due) * 2 + (c.day > m.due)::integer)
      filter (c.satisfaction is not null) as satisfaction
  from contact c
  join milestone m on c.day between m.opens and m.closes
  where c.day < coalesce(c.next_day, c.day + 1)
  group by c.session_key, m.milestone
)

select
  {groups}
  s.patient_key,
  m.milestone,
  r.satisfaction,
  case
    when s.barred is not null then s.barred
    when s.start_on + m.closes > s.observed_to then 'not_due'
    when r.satisfaction is not null then null
    when s.died_on <= s.start_on + m.closes then 'died'
    when s.next_on <= s.start_on + m.closes then 'operated_again'
    when r.session_key is not null then 'item_empty'
    when
      s.status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(s.last_contact_on < s.start_on + m.opens, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason,
  r.satisfaction is not null as had_event
from judged_session s
cross join milestone m
left join rating r on r.session_key = s.session_key and r.milestone = m.milestone
