-- One row a session of the practice: its interval, or why it has none.
select
  {groups}
  s.patient_key,
  s.has_others,
  if(i.looked, i.left_day, null) as left_day,
  if(i.looked, i.right_day, null) as right_day,
  coalesce(i.gone_then_back, false) as gone_then_back,
  case
    when s.barred is not null then s.barred
    when i.present_before then 'present_before'
    when i.looked then null
    when s.start_on + $first_look_by > s.observed_to then 'not_due'
    when s.died_on <= s.start_on + $first_look_by then 'died'
    when s.next_on <= s.start_on + $first_look_by then 'operated_again'
    when i.any_contact then 'item_empty'
    when
      s.status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(s.last_contact_on < s.start_on + $from_day, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason
from judged_session s
left join duration_interval i on i.session_key = s.session_key
