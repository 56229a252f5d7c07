-- One row a session that left a wound with sutures: were they out in the days meant for it, or why can that not be told?
with told as (
  select
    session_key,
    min(sutures_out_on) as out_on,
    bool_or(day >= $opens) as any_contact
  from contact
  group by session_key
)

select
  {groups}
  s.patient_key,
  s.has_others,
  'sutures_out_on_time' as measure,
  case
    when s.barred is not null then s.barred
    when s.start_on + $closes > s.observed_to then 'not_due'
    when t.out_on is not null then null
    when s.died_on <= s.start_on + $closes then 'died'
    when t.any_contact then 'item_empty'
    else 'missed_visit'
  end as reason,
  coalesce(t.out_on - s.start_on between $opens and $closes, false) as had_event
from judged_session s
left join told t on t.session_key = s.session_key
where s.session_key in (select session_key from session where technique in ('strip', 'combined'))
