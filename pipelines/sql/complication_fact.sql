-- All that is known of a session: its own days, its contacts, its records. assessed_ and missing_: why it is not counted
-- if the contacts answer throughout, or if they do not, by window.
with known as (
  select
    s.*,
    t.* exclude (session_id),
    r.* exclude (session_id),
    greatest(t.last_visit_day, if(s.last_contact_day <= s.observed_day, s.last_contact_day, null)) as reached_day
  from complication_session s
  left join complication_contact t on t.session_id = s.session_id
  left join complication_item_record r on r.session_id = s.session_id
)

select
  {why_columns}
  *
from known s
