-- One row a session here: how long it took, and on which day the sutures were out.
select
  {groups}
  s.patient_key,
  r.duration_hours,
  r.technique in ('strip', 'combined') as has_sutures,
  if(has_sutures, c.sutures_out_on - s.start_on, null) as sutures_out_day
from session_here s
join session r on r.session_key = s.session_key
left join session_contact c on c.session_key = s.session_key
where s.barred is null
