-- The place of each session with the event among all sessions counted, in the order of surgery.
with counted as (
  select
    r.session_id,
    s.start_on,
    row_number() over (order by s.start_on, s.session_key) as place,
    count(*) over () as sessions
  from complication_reason r
  join judged_session s on s.session_id = r.session_id
  where r.{reason} is null
)

select c.place, c.start_on, c.sessions
from counted c
join complication_outcome e on e.session_id = c.session_id
where e.had_event and e.kind = $kind and e.severity = $severity
