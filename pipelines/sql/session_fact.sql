-- One row a session here: how long it took, and on which day the sutures were out.
with sutures as (
  select session_key, min(sutures_out_on) as out_on
  from contact
  where sutures_out_on is not null
  group by session_key
)

select
  {groups}
  s.patient_key,
  r.duration_hours,
  r.technique in ('strip', 'combined') as has_sutures,
  if(has_sutures, o.out_on - s.start_on, null) as sutures_out_day
from session_here s
join session r on r.session_key = s.session_key
left join sutures o on o.session_key = s.session_key
where s.barred is null
