-- Fold: sums over patients of their sums, for a mean whose uncertainty comes from how patients differ. Sums of decimals
-- (to a thousandth, finer than any rating or width is read) come out the same in whatever order rows are added up.
with patient as (
  select
    {at} as milestone,
    patient_key,
    sum({value}::decimal(9, 3))::decimal(12, 3) as y,
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
  sum(x::decimal(12, 0) * y)::double as sum_xy,
  sum(x * x)::bigint as sum_xx
from patient
group by milestone
