-- One row a session that left the wound of a strip: how wide is its scar, or why can that not be told?
-- The visit nearest to the due day that measures it speaks; the earlier of two equally near. Visits after a further
-- session may measure another scar, so they are not used. had_event: a width was measured.
with scar as (
  select
    session_key,
    arg_min(scar_width_mm, abs(day - $due) * 2 + (day > $due)::integer)
      filter (scar_width_mm is not null) as scar_width_mm
  from contact
  where day between $opens and $closes and day < coalesce(next_day, day + 1)
  group by session_key
)

select
  {groups}
  s.patient_key,
  c.scar_width_mm,
  case
    when s.barred is not null then s.barred
    when s.start_on + $closes > s.observed_to then 'not_due'
    when c.scar_width_mm is not null then null
    when s.died_on <= s.start_on + $closes then 'died'
    when s.next_on <= s.start_on + $closes then 'operated_again'
    when c.session_key is not null then 'item_empty'
    when
      s.status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(s.last_contact_on < s.start_on + $opens, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason,
  c.scar_width_mm is not null as had_event
from judged_session s
left join scar c on c.session_key = s.session_key
where s.session_key in (select session_key from session where technique = 'strip')
