-- One row a session: for each class of kinds, why the whole window is not covered (empty: it is).
-- Kinds known from records alone need a contact on or after the window's end, about this session or any other: records
-- are kept as they become known.
with known as (
  select
    s.*,
    t.{closing} as closing_day,
    {unanswered_columns}
    case
      when
        greatest(t.last_visit_day, if(s.last_contact_day <= s.observed_day, s.last_contact_day, null)) >= $closes_from
        then $closes_from
    end as reached_day
  from complication_session s
  left join complication_contact t on t.session_id = s.session_id
)

select
  {groups}
  s.session_id,
  s.patient_no,
  {reason_columns}
  s.next_day,
  s.closing_day
from known s
