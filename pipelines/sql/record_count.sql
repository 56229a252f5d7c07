-- Records by site and kind, up to $as_of. A contact, complication or count stands under the site that operated.
with own_session as (
  select * from session where surgeon_code <> $elsewhere and performed_on <= coalesce($as_of::date, performed_on)
)

select site_code, 'patients' as measure, count(*) as n
from patient
where enrolled_on <= coalesce($as_of::date, enrolled_on)
group by site_code
union all
select site_code, 'sessions' as measure, count(*) as n
from own_session
group by site_code
union all
select site_code, 'sessions_in_quarter' as measure, count(*) as n
from own_session
where year(performed_on) || '-Q' || quarter(performed_on) = $quarter
group by site_code
union all
select site_code, 'visits' as measure, count(*) as n
from visit
join own_session using (session_key)
where visited_on <= coalesce($as_of::date, visited_on)
group by site_code
union all
select site_code, 'complications' as measure, count(*) as n
from complication
join own_session using (session_key)
where performed_on + coalesce(onset_day, 0) <= coalesce($as_of::date, performed_on + coalesce(onset_day, 0))
group by site_code
union all
select site_code, 'graft_counts' as measure, count(*) as n
from graft_count
join own_session using (session_key)
where counted_on <= coalesce($as_of::date, counted_on)
group by site_code
