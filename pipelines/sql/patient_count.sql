-- Patients counted and not counted, by reason.
select
  {groups}
  first_operated,
  reason,
  sum(n)::bigint as n
from spell_count
where ending = 'here'
group by all
