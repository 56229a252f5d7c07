-- The day up to which each site is observed: what it declares complete, and never past $as_of.
select
  site_code,
  least(max(records_complete_to), $as_of::date) as observed_to
from site_period
group by site_code
