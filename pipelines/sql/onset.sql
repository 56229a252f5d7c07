-- Where complication records of this kind place the onset: inside the window, after it, or both.
select
  session_key,
  bool_or(onset_day <= $window) as within,
  bool_or(onset_day > $window) as later
from complication
where kind = $kind
group by session_key
