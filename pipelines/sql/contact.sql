-- Every contact about a session here up to the day to which its site is observed: its days since the session, those to
-- the next session, and what it tells.
select
  s.session_key,
  (v.visited_on - s.performed_on)::integer as day,
  (n.next_on - s.performed_on)::integer as next_day,
  v.visit_reason,
  v.sensation_before,
  v.swelling_now,
  v.swelling_since_last,
  v.periorbital_bruising_since_last,
  v.crusts_present,
  v.numbness_donor,
  v.numbness_recipient,
  v.folliculitis_lesions,
  v.folliculitis_since_last,
  v.infection,
  v.infection_since_last,
  v.shedding_seen,
  v.new_growth_visible,
  v.surgery_elsewhere_since,
  v.satisfaction,
  v.scar_width_mm,
  v.sutures_out_on
from visit v
join session s on s.session_key = v.session_key
join session_next n on n.session_key = s.session_key and n.is_here
join site_end e on e.site_code = s.site_code
where v.visited_on <= e.observed_to
