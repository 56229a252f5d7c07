-- One row a session of the practice: was it still present at the milestone, or why can that not be told?
select
  {groups}
  s.patient_key,
  s.has_others,
  case
    when barred is not null then barred
    when start_on + $closes > observed_to then 'not_due'
    when s.{name} is not null then null
    when died_on <= start_on + $closes then 'died'
    when next_on <= start_on + $closes then 'operated_again'
    when s.{any_contact} then 'item_empty'
    when
      status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(last_contact_on < start_on + $opens, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason,
  coalesce(s.{name}, false) as had_event
from answered_session s
