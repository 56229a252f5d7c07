-- One row a session that left a wound with sutures: were they out in the days meant for it, or why can that not be told?
with told as (
  select
    s.session_id,
    min(v.sutures_out_on) - any_value(s.start_on) as out_day,
    bool_or(v.visited_on - s.start_on >= $opens) as any_contact
  from visit v
  join judged_session s on s.session_key = v.session_key
  where v.visited_on <= s.observed_to
  group by s.session_id
)

select
  {groups}
  s.patient_key,
  'sutures_out_on_time' as measure,
  case
    when s.barred is not null then s.barred
    when s.start_on + $closes > s.observed_to then 'not_due'
    when t.out_day is not null then null
    when s.died_on <= s.start_on + $closes then 'died'
    when t.any_contact then 'item_empty'
    else 'missed_visit'
  end as reason,
  coalesce(t.out_day between $opens and $closes, false) as had_event
from judged_session s
left join told t on t.session_id = s.session_id
where s.session_key in (select session_key from session where technique in ('strip', 'combined'))
