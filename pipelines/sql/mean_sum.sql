-- Fold: sums over patients of their sums, for a mean whose uncertainty comes from how patients differ.
with patient as (
  select
    {at} as milestone,
    patient_key,
    sum({value}) as y,
    count(*) as x
  from {judged}
  where reason is null
  group by all
)

select
  milestone,
  count(*) as patients,
  sum(y)::double as sum_y,
  sum(x)::bigint as sum_x,
  sum(y * y)::double as sum_yy,
  sum(x * y)::double as sum_xy,
  sum(x * x)::bigint as sum_xx
from patient
group by milestone
