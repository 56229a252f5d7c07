-- The mature count of each marked area of the scalp: of several the one nearest to a year, the first reading of it.
-- A count on or before the day of a further session is of this session's grafts alone.
select
  c.session_key,
  c.area_label,
  c.placed_grafts as placed,
  c.growing_grafts as growing
from graft_count c
join session_here s on s.session_key = c.session_key
where
  coalesce(c.repeat_number, 1) = 1
  and list_contains($scalp_zones, c.zone)
  and c.counted_on - s.start_on between $mature_from and $mature_to
  and c.counted_on <= s.observed_to
  and c.counted_on <= coalesce(s.next_on, c.counted_on)
qualify
  row_number() over (
    partition by c.session_key, c.area_label
    order by c.growing_grafts is null, abs(c.counted_on - s.start_on - $nearest_to), c.counted_on, c.count_key
  ) = 1
