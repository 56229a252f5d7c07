  case
    when {before} & ({told} | {found}) > 0 then {event}
    when {within} then {event}
    when {ever} then {nothing}
    when {closing_day} = {last_day} and {closing} & ({told} | {found}) > 0 then {event}
    -- the interval of a closing contact past the window straddles its end: a record may place the onset
    when {closing} & {told} > 0 and not coalesce({later}, false) then {straddling}
    when {undated} then {undated_record}
    else {nothing}
  end
