-- Fold: each patient's sums first, then over patients, since a patient's areas are alike.
with by_patient as (
  select
    {groups}
    reason,
    patient_key,
    count(*) as sessions,
    sum(areas) as areas,
    sum(areas_above) as areas_above,
    sum(placed)::bigint as placed,
    sum(growing)::bigint as growing,
    sum(growing_capped)::bigint as growing_capped
  from growth
  group by all
)

select
  {groups}
  reason,
  count(*) as patients,
  sum(sessions)::bigint as sessions,
  sum(areas)::bigint as areas,
  sum(areas_above)::bigint as areas_above,
  sum(placed)::bigint as x,
  sum(growing)::bigint as y,
  sum(growing_capped)::bigint as y_capped,
  sum(placed * placed)::bigint as xx,
  sum(growing * placed)::bigint as xy,
  sum(growing_capped * placed)::bigint as xy_capped,
  sum(growing * growing)::bigint as yy,
  sum(growing_capped * growing_capped)::bigint as yy_capped
from by_patient
group by all
