-- A next session anywhere, with those lost before the records end taken in three ways: none of them had one (here),
-- they are no longer seen (last_contact), each had one on the next day (lost_had_one).
with seen as (
  select
    *,
    least(if(is_first, here_day, null), elsewhere_day) as event_day,
    event_day is null and coalesce(contact_day, 0) < end_day as is_lost,
    least(end_day, coalesce(contact_day, 0)) as last_day
  from known_end
)

select
  {groups}
  patient_key,
  first_operated,
  unnest(['here', 'last_contact', 'lost_had_one']) as ending,
  barred,
  entry_day,
  coalesce(event_day, end_day) as potential_day,
  case
    when event_day is not null then event_day
    when ending = 'last_contact' then last_day
    when ending = 'lost_had_one' and is_lost then last_day + 1
    else end_day
  end as exit_day,
  event_day is not null or (ending = 'lost_had_one' and is_lost) as had_event
from seen
