-- One row a session of the practice: had it the event in the window, or why can that not be told?
with known as (
  select
    s.*,
    s.next_on - s.start_on as next_day,
    s.died_on - s.start_on as died_day,
    s.{name}_closing_day as closing_day,
    closing_day < coalesce(s.{name}_first_unanswered_day, closing_day + 1) as assessed,
    s.{name}_first_positive_day < $window
      -- the interval of a closing contact past the window straddles its end: a record may place the onset
      or (s.{name}_first_positive_day = closing_day and (closing_day = $window or not coalesce(o.later, false)))
      or s.{name}_first_seen_day <= $window
      or o.within as had_event
  from answered_session s
  left join onset o on o.session_key = s.session_key
)

select
  {groups}
  patient_key,
  has_others,
  case
    when barred is not null then barred
    when start_on + $closes > observed_to then 'not_due'
    when assessed and coalesce(next_day >= $window, true) then null
    when closing_day is null and died_day <= $closes then 'died'
    when next_day < if(assessed, $window, coalesce(closing_day, $closes + 1)) then 'operated_again'
    when closing_day is not null then 'item_empty'
    when
      status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(last_contact_on < start_on + $window, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason,
  coalesce(had_event, false) as had_event
from known s
