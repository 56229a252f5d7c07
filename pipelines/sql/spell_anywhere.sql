-- Estimand "anywhere": two spells a session, one a way of ending. Observation of a next session here goes on to the
-- end of the site's records; of one elsewhere only to the last contact that would have told of it.
with known as (
  select
    s.*,
    e.contact_day,
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
  least(end_day, here_day, elsewhere_day) as exit_day,
  coalesce(here_day <= end_day and here_day < coalesce(elsewhere_day, here_day + 1), false) as had_event
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
