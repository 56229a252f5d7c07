-- The sessions that are looked at, each with its group.
select
  {group_definitions}
  b.*
from session_base b
{group_records}
where {chosen}
