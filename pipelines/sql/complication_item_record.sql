-- The same for kinds with an item, one row a session, to be held against what contacts tell.
select
  {item_record_columns}
  session_id
from complication_record
where severity = 'any'
group by session_id
