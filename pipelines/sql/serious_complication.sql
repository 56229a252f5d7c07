-- Fold: severe complications by kind and site.
select
  site_code,
  kind,
  count(*) as records,
  count(distinct patient_key) as patients
from serious_case
group by all
order by records desc, site_code, kind
