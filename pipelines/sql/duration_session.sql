-- One row a session of the practice: its interval, or why it has none.
with contact as (
  select
    s.session_id,
    bool_or(v.visited_on - s.start_on >= $from_day) as any_contact,
    bool_or({present_before}) as present_before
  from visit v
  join judged_session s on s.session_key = v.session_key
  where v.visited_on <= s.observed_to and v.visited_on < coalesce(s.next_on, 'infinity'::date)
  group by s.session_id
)

select
  {groups}
  s.patient_key,
  i.left_day,
  i.right_day,
  coalesce(i.gone_then_back, false) as gone_then_back,
  case
    when s.barred is not null then s.barred
    when c.present_before then 'present_before'
    when i.session_id is not null then null
    when s.start_on + $first_look_by > s.observed_to then 'not_due'
    when s.died_on <= s.start_on + $first_look_by then 'died'
    when s.next_on <= s.start_on + $first_look_by then 'operated_again'
    when c.any_contact then 'item_empty'
    when
      s.status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(s.last_contact_on < s.start_on + $from_day, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason
from judged_session s
left join duration_interval i on i.session_id = s.session_id
left join contact c on c.session_id = s.session_id
