-- One row a session and milestone: was there a contact in the days that serve it, or why is none to be expected?
-- A death or a further session before those days end takes the session out, whether or not somebody came before: else
-- those who came would stay in and those who did not would leave, and follow-up would look better than it is.
with contact as (
  select distinct
    s.session_id,
    m.milestone
  from visit v
  join judged_session s on s.session_key = v.session_key
  join milestone m on v.visited_on - s.start_on between m.opens and m.closes
  where v.visited_on <= s.observed_to
)

select
  {groups}
  s.patient_key,
  m.milestone,
  s.start_on + m.closes as closed_on,
  case
    when s.barred is not null then s.barred
    when s.start_on + m.closes > s.observed_to then 'not_due'
    when s.died_on <= s.start_on + m.closes then 'died'
    when s.next_on <= s.start_on + m.closes then 'operated_again'
  end as reason,
  c.session_id is not null as had_event
from judged_session s
cross join milestone m
left join contact c on c.session_id = s.session_id and c.milestone = m.milestone
