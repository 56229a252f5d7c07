-- One row a session, kind and severity with an event in the window, however many contacts and records tell of it; with
-- its group, its patient and why the session is not counted (empty: it is).
-- sure: nothing lets it fall after the window. Neither: a record without a day of onset, and nothing that places it.
with known as (
  select session_id, kind, severity, t.told_day, t.found_day, r.within, r.later, r.undated
  from complication_told t
  full join complication_record r using (session_id, kind, severity)
),

judged as (
  select
    {groups}
    s.session_id,
    s.patient_no,
    e.kind,
    e.severity,
    coalesce(e.undated, false) as undated,
    coalesce(
      e.within
      or if(
        $ever,
        least(e.told_day, e.found_day) <= coalesce(s.next_day, $last_day),
        e.told_day < $last_day
        -- the interval of a closing contact past the window straddles its end: a record may place the onset
        or (e.told_day = s.closing_day and (s.closing_day = $last_day or not coalesce(e.later, false)))
        or e.found_day <= $last_day
      ),
      false
    ) as had_event,
    coalesce($ever or e.within or e.told_day < $last_day or e.found_day <= $last_day, false)
      or coalesce(e.told_day = $last_day and s.closing_day = $last_day, false) as sure,
    {reason_of_kind} as reason
  from known e
  join complication_reason s on s.session_id = e.session_id
)

select * exclude (undated)
from judged
where had_event or undated
