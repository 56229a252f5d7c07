  case
    when s.barred is not null then s.barred
    when {due} > s.observed_day then {not_due}
    when {assessed} and coalesce(s.next_day >= {reaches}, true) then {counted}
    when {closing_day} is null and s.died_day <= {due} then {died}
    when s.next_day < if({assessed}, {reaches}, coalesce({closing_day}, {due} + 1)) then {operated_again}
    when {closing_day} is not null then {item_empty}
    when s.out_of_reach and coalesce(s.last_contact_day < {closes_from}, true) then {not_reached}
    else {missed_visit}
  end
