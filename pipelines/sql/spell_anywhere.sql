-- Estimand "anywhere": two spells a session, one a source.
-- Here: a next session that is the first anywhere. Site records show every one of them, so whoever cannot have one any
-- more, having been elsewhere, known or not, stays to the end of the records like everyone without one.
-- Elsewhere: seen only up to the last contact that would have told of it, and before a next session here.
with known as (
  select
    s.*,
    e.contact_day,
    not e.elsewhere_came_first and s.here_day <= s.end_day as is_first,
    if(e.elsewhere_day <= e.contact_day and e.elsewhere_day <= s.end_day, e.elsewhere_day, null) as elsewhere_day
  from start s
  left join elsewhere e on e.session_key = s.session_key
)

select
  {groups}
  first_operated,
  'here' as ending,
  barred,
  entry_day,
  if(is_first, here_day, end_day) as exit_day,
  coalesce(is_first, false) as had_event
from known
union all by name
select
  {groups}
  first_operated,
  'elsewhere' as ending,
  barred,
  entry_day,
  least(end_day, contact_day, elsewhere_day) as exit_day,
  elsewhere_day is not null as had_event
from known
