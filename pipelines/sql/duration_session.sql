-- One row a session of the practice: its interval, or why it has none.
select
  {groups}
  s.patient_key,
  s.has_others,
  i.left_day,
  i.right_day,
  coalesce(i.gone_then_back, false) as gone_then_back,
  case
    when s.barred is not null then s.barred
    when {present_before} then 'present_before'
    when i.left_day is not null then null
    when s.start_on + $first_look_by > s.observed_to then 'not_due'
    when s.died_on <= s.start_on + $first_look_by then 'died'
    when s.next_on <= s.start_on + $first_look_by then 'operated_again'
    when c.last_day >= $from_day then 'item_empty'
    when
      s.status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(s.last_contact_on < s.start_on + $from_day, true)
      then 'not_reached'
    else 'missed_visit'
  end::{reasons} as reason
from judged_session s
left join duration_interval i on i.session_key = s.session_key
left join session_contact c on c.session_key = s.session_key
