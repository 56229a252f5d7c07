-- The place of each session with the event among all sessions counted, in the order of surgery.
with counted as (
  select
    j.session_id,
    s.start_on,
    {told} as told,
    row_number() over (order by s.start_on, s.session_key) as place,
    count(*) over () as sessions
  from complication_judged j
  join complication_session s on s.session_id = j.session_id
  where {reason} = {counted}
)

select c.place, c.start_on, c.sessions
from counted c
left join complication_record_event e
  on e.session_id = c.session_id and e.kind = $kind and e.severity = $severity
where {happened} in ({event}, {straddling})
