-- One row a session of the practice: was it still present at the milestone, or why can that not be told?
-- The contact nearest to the due day that answers the item speaks; the earlier of two equally near. Contacts after
-- a further session tell of both sessions, so they are not used.
with milestone as (
  select
    c.session_id,
    arg_min(c.{positive}, abs(c.day - $due) * 2 + (c.day > $due)::integer) filter (c.{answered}) as present,
    count(*) > 0 as any_contact
  from contact_day c
  join judged_session s on s.session_id = c.session_id
  where c.day between $opens and $closes and c.day < coalesce(s.next_on - s.start_on, c.day + 1)
  group by c.session_id
)

select
  {groups}
  s.patient_key,
  case
    when barred is not null then barred
    when start_on + $closes > observed_to then 'not_due'
    when m.present is not null then null
    when died_on <= start_on + $closes then 'died'
    when next_on <= start_on + $closes then 'operated_again'
    when m.any_contact then 'item_empty'
    when
      status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(last_contact_on < start_on + $opens, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason,
  coalesce(m.present, false) as had_event
from judged_session s
left join milestone m on m.session_id = s.session_id
