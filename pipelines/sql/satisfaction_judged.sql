-- One row a session and milestone: how satisfied was the patient, or why can that not be told?
-- The contact nearest to the due day that asks speaks; the earlier of two equally near. Contacts after a further
-- session tell of both sessions, so they are not used. had_event: a rating was given.
with rating as (
  select
    s.session_id,
    m.milestone,
    arg_min(
      v.satisfaction,
      abs(v.visited_on - s.start_on - m.due) * 2 + (v.visited_on - s.start_on > m.due)::integer
    ) filter (v.satisfaction is not null) as satisfaction,
    count(*) > 0 as any_contact
  from visit v
  join judged_session s on s.session_key = v.session_key
  join milestone m on v.visited_on - s.start_on between m.opens and m.closes
  where v.visited_on <= s.observed_to and v.visited_on < coalesce(s.next_on, v.visited_on + 1)
  group by s.session_id, m.milestone
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
    when r.any_contact then 'item_empty'
    when
      s.status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(s.last_contact_on < s.start_on + m.opens, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason,
  r.satisfaction is not null as had_event
from judged_session s
cross join milestone m
left join rating r on r.session_id = s.session_id and r.milestone = m.milestone
