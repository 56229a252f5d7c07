-- Sessions declared from the theatre list and sessions recorded, by site, over the quarters that were declared.
with recorded as (
  select site_code, year(performed_on) || '-Q' || quarter(performed_on) as quarter, count(*) as sessions
  from session
  where surgeon_code <> $elsewhere
  group by all
)

select
  site_code,
  sum(p.sessions_declared)::bigint as declared,
  sum(coalesce(r.sessions, 0))::bigint as recorded
from site_period p
left join recorded r using (site_code, quarter)
where
  p.sessions_declared is not null
  and p.quarter = coalesce($quarter, p.quarter)
  and p.quarter <= coalesce(year($as_of::date) || '-Q' || quarter($as_of::date), p.quarter)
group by site_code
