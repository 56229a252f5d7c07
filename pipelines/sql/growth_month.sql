-- Each marked area of the scalp in each month in which it was counted: of several counts the one nearest to the
-- month's day, the first reading of it. A month has as many days on either side.
with counted as (
  select
    c.session_key,
    c.area_label,
    round((c.counted_on - s.start_on) * 12 / 365.25)::bigint as month,
    abs(c.counted_on - s.start_on - floor(month * 365.25 / 12)) as off,
    {groups}
    s.patient_key,
    {placed} as placed,
    {growing} as growing,
    c.counted_on,
    c.count_key
  from graft_count c
  join session_here s on s.session_key = c.session_key
  where
    s.barred is null
    and coalesce(c.repeat_number, 1) = 1
    and list_contains($scalp_zones, c.zone)
    and c.counted_on - s.start_on between $mature_from and $mature_to
    and c.counted_on <= s.observed_to
    and c.counted_on <= coalesce(s.next_on, c.counted_on)
    and ({growing}) is not null
)

select
  {groups}
  patient_key,
  month,
  placed,
  growing
from counted
qualify row_number() over (partition by session_key, area_label, month order by off, counted_on, count_key) = 1
