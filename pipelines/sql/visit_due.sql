-- One row a session here: the milestone whose days have begun last by $on, and whether a contact has served it.
-- reason: why nobody need be called; empty where somebody must. A later session has milestones of its own.
with reached as (
  select
    s.*,
    m.milestone,
    s.start_on + m.due as due_on,
    s.start_on + m.opens as opens_on,
    s.start_on + m.closes as closes_on
  from session_here s
  left join listed_milestone m on $on::date - s.start_on between m.opens and m.listed_to
  where s.session_key is not null
),

contact as (
  select
    session_key,
    max(visited_on) as last_visit_on
  from visit
  semi join (from reached where milestone is not null) using (session_key)
  where visited_on <= $on::date
  group by session_key
)

select
  r.patient_key,
  r.session_key,
  c.site_code,
  c.surgeon_code,
  r.start_on as performed_on,
  r.milestone,
  r.due_on,
  r.opens_on,
  r.closes_on,
  if(r.closes_on < $on::date, 'overdue', 'due') as state,
  t.last_visit_on,
  r.status_at_last_contact,
  case
    when r.barred in ('dates_shifted', 'no_start_date') then r.barred
    when r.died_on <= $on::date or r.status_at_last_contact = 'died' then 'died'
    when r.status_at_last_contact in ('left_care', 'discharged', 'consent_withdrawn') then r.status_at_last_contact
    when r.next_on is not null then 'operated_again'
    when r.milestone is null then 'between_milestones'
    when t.last_visit_on >= r.opens_on then 'contact_made'
  end as reason
from reached r
join session c on c.session_key = r.session_key
left join contact t on t.session_key = r.session_key
