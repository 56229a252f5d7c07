-- The next session elsewhere, and the last contact that would have told of one.
-- A contact without a visit counts where it is later than every visit; one prompted by a session, or made after a
-- next session here, never does: it says nothing of those who had none.
with contact as (
  select
    s.session_key,
    greatest(
      a.last_answer_day,
      case
        when
          s.last_contact_reason is distinct from 'session'
          and s.last_contact_on <= coalesce($as_of::date, s.last_contact_on)
          and s.last_contact_on < coalesce(s.next_here_on, 'infinity'::date)
          and s.last_contact_on - s.start_on > coalesce(a.last_visit_day, 0)
          then least(s.last_contact_on, s.observed_to) - s.start_on
      end,
      0
    ) as contact_day,
    a.told_day,
    a.first_yes_day,
    -- a next session here tells what came before it: its number counts sessions elsewhere
    coalesce(s.skips_a_number, false)
      or coalesce(s.next_is_elsewhere, false)
      or coalesce(a.first_yes_at_all_day <= s.here_day, false) as elsewhere_came_first,
    if(s.next_is_elsewhere, s.next_on - s.start_on, null) as row_day,
    if(s.next_is_elsewhere, coalesce(s.next_learned_on, s.next_on) - s.start_on, null) as learned_day
  from start s
  left join answers a on a.session_key = s.session_key
  where s.session_key is not null
)

select
  session_key,
  contact_day,
  elsewhere_came_first,
  -- a session record gives the date; a yes that came before it tells of another surgery
  least(
    if(learned_day <= contact_day or row_day <= first_yes_day, row_day, null),
    if(row_day <= first_yes_day, null, told_day)
  ) as elsewhere_day
from contact
