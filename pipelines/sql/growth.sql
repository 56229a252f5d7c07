-- One row a session of the practice: the sums over its areas, or why there are none.
-- least() passes over an empty value: without its filter an uncounted area would count as fully grown.
with area as (
  select
    session_key,
    count(growing) as areas,
    count(*) filter (growing > placed) as areas_above,
    sum(placed) filter (growing is not null) as placed,
    sum(growing) as growing,
    sum(least(growing, placed)) filter (growing is not null) as growing_capped
  from mature_count
  group by session_key
)

select
  {groups}
  s.patient_key,
  case
    when barred is not null then barred
    when a.areas > 0 then null
    when start_on + $mature_to > observed_to then 'not_due'
    when died_on <= start_on + $mature_to then 'died'
    when next_on <= start_on + $mature_to then 'operated_again'
    when a.areas = 0 then 'item_empty'
    when
      status_at_last_contact in ('not_reached', 'left_care')
      and coalesce(last_contact_on < start_on + $mature_from, true)
      then 'not_reached'
    else 'missed_visit'
  end as reason,
  coalesce(a.areas, 0) as areas,
  coalesce(a.areas_above, 0) as areas_above,
  coalesce(a.placed, 0) as placed,
  coalesce(a.growing, 0) as growing,
  coalesce(a.growing_capped, 0) as growing_capped
from session_here s
left join area a on a.session_key = s.session_key
where s.session_key is not null
