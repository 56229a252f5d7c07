-- Fold: days observed of the days there could have been, for those counted, up to the last contact or the event.
select
  {groups}
  exit_day as observed_days,
  potential_day as potential_days,
  count(*) as people
from coded_spell
where reason is null and ending = 'last_contact' and first_operated = 'here'
group by all
