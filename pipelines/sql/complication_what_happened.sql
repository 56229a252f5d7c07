  case
    when {within} then {event}
    when {ever} then if(least({told}, {found}) <= coalesce(next_day, {last_day}), {event}, {nothing})
    when {told} < {last_day} or {found} <= {last_day} or ({told} = {last_day} and {closing} = {last_day}) then {event}
    -- the interval of a closing contact past the window straddles its end: a record may place the onset
    when {told} = {closing} and not coalesce({later}, false) then {straddling}
    when {undated} then {undated_record}
    else {nothing}
  end
