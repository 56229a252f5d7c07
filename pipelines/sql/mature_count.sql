-- The mature count of each marked area of the scalp: of several the one nearest to a year, the first reading of it.
-- A count on or before the day of a further session is of this session's grafts alone.
-- placed, growing: grafts, or hairs net of those that stood there before; growing is empty where it cannot be told.
select
  c.session_key,
  c.area_label,
  {placed} as placed,
  {growing} as growing,
  c.placed_grafts / nullif(c.area_cm2, 0) as placed_density,
  c.existing_hairs_before is null as existing_unknown,
  c.zone,
  c.area_choice,
  c.method
from graft_count c
join known_session s on s.session_key = c.session_key and s.is_here
join site_end e on e.site_code = s.site_code
where
  coalesce(c.repeat_number, 1) = 1
  and list_contains($scalp_zones, c.zone)
  and c.counted_on - s.performed_on between $mature_from and $mature_to
  and c.counted_on <= e.observed_to
  and c.counted_on <= coalesce(s.next_on, c.counted_on)
qualify
  row_number() over (
    partition by c.session_key, c.area_label
    order by ({growing}) is null, abs(c.counted_on - s.performed_on - $nearest_to), c.counted_on, c.count_key
  ) = 1
