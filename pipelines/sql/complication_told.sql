-- The same, one row a session, kind and severity of which a contact told or that it saw.
with item as (
  select session_id, unnest([{told_list}], recursive := true) from complication_contact
)

from item
where told_day is not null or found_day is not null
