-- One row a session and milestone: was there a contact in the days that serve it, or why is none to be expected?
-- A death or a further session before those days end takes the session out, whether or not somebody came before: else
-- those who came would stay in and those who did not would leave, and follow-up would look better than it is.
with served as (
  select
    session_key,
    bit_or({milestones_served}) as milestones
  from contact
  group by session_key
)

select
  {groups}
  s.patient_key,
  s.has_others,
  m.milestone::{milestones} as milestone,
  s.start_on + m.closes as closed_on,
  case
    when s.barred is not null then s.barred
    when s.start_on + m.closes > s.observed_to then 'not_due'
    when s.died_on <= s.start_on + m.closes then 'died'
    when s.next_on <= s.start_on + m.closes then 'operated_again'
  end::{reasons} as reason,
  coalesce(c.milestones & m.bit > 0, false) as had_event
from judged_session s
cross join milestone m
left join served c on c.session_key = s.session_key
