-- One row a session, kind and severity with an event in the window, however many contacts and records tell of it.
-- undated: a record without a day of onset, and nothing that places it. sure: nothing lets it fall after the window.
with item as (
  select session_id, unnest([{told_list}], recursive := true) from complication_told
),

told as (
  select
    i.session_id,
    i.kind,
    i.severity,
    case
      when $ever then least(i.told_day, i.found_day) <= coalesce(s.next_day, $last_day)
      else
        i.told_day < $last_day
        -- the interval of a closing contact past the window straddles its end: a record may place the onset
        or (i.told_day = s.closing_day and (s.closing_day = $last_day or not coalesce(r.later, false)))
        or i.found_day <= $last_day
    end as had_event,
    $ever or i.told_day < $last_day or i.found_day <= $last_day or (i.told_day = $last_day and s.closing_day = $last_day)
      as sure,
    false as undated
  from item i
  join complication_reason s on s.session_id = i.session_id
  left join complication_record r
    on r.session_id = i.session_id and r.kind = i.kind and r.severity = i.severity
  where i.told_day is not null or i.found_day is not null
),

known as (
  from told
  union all
  select session_id, kind, severity, within, true, undated from complication_record
)

select
  session_id,
  kind,
  severity,
  coalesce(bool_or(had_event), false) as had_event,
  coalesce(bool_or(had_event and sure), false) as sure
from known
where had_event or undated
group by session_id, kind, severity
