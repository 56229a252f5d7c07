-- Fold: how many spells share their days and their end. From here on cost depends on days, not on patients.
select
  {groups}
  first_operated,
  ending,
  case
    when barred is not null then barred
    when exit_day < 0 then 'not_due'
    when entry_day > 0 and entry_day >= exit_day then 'enrolled_late'
  end as reason,
  entry_day,
  exit_day,
  had_event,
  count(*) as n
from {spell}
group by all
