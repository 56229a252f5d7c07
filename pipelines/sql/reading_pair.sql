-- The first two readings of one area of the scalp on one day, as shares of what was placed.
with reading as (
  select
    {groups}
    s.patient_key,
    c.session_key,
    c.area_label,
    c.counted_on,
    c.counter_code,
    {read} as share,
    row_number() over (
      partition by c.session_key, c.area_label, c.counted_on order by coalesce(c.repeat_number, 1), c.count_key
    ) as number
  from graft_count c
  join session_here s on s.session_key = c.session_key
  where
    s.barred is null
    and list_contains($scalp_zones, c.zone)
    and c.counted_on <= s.observed_to
    and {read} is not null
)

select
  {groups}
  patient_key,
  session_key,
  area_label,
  counted_on,
  max(share) filter (number = 1) as first,
  max(share) filter (number = 2) as second,
  max(counter_code) filter (number = 1) = max(counter_code) filter (number = 2) as same_reader
from reading
where number <= 2
group by all
having count(*) = 2
