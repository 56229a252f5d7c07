-- Fold: how many spells share their days and their end. From here on cost depends on days, not on patients.
select
  {groups}
  first_operated,
  ending,
  reason,
  entry_day,
  exit_day,
  {ended_by},
  count(*) as n
from coded_spell
group by all
