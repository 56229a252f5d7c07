-- Each spell with why it cannot be counted; empty where it can.
select
  *,
  case
    when barred is not null then barred
    when exit_day < 0 then 'not_due'
    when entry_day > 0 and entry_day >= exit_day then 'enrolled_late'
  end as reason
from {spell}
