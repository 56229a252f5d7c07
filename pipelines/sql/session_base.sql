-- Every session of the practice with what is known of its patient, what came next and how long its site is observed.
-- A patient without a session here stands once, without a session. barred: why no clock can start.
select
  p.patient_key,
  p.patient_no,
  s.session_key,
  s.performed_on as start_on,
  s.number_of_kind as number_here,
  s.session_number,
  s.next_on,
  s.next_is_elsewhere,
  s.next_learned_on,
  s.next_of_kind_on as next_here_on,
  s.next_of_kind_reason as next_here_reason,
  s.skips_a_number,
  e.observed_to,
  p.enrolled_on,
  p.died_on,
  p.last_contact_on,
  p.last_contact_reason,
  p.status_at_last_contact,
  if(coalesce(p.sessions_elsewhere, 0) = 0 and coalesce(s.first_number_here, 1) = 1, 'here', 'elsewhere')
    as first_operated,
  case
    when s.session_key is null then 'no_start_date'
    when p.dates_shifted then 'dates_shifted'
    when s.performed_precision <> 'day' then 'no_start_date'
    when e.observed_to is null then 'no_declaration'
  end as barred
from (select *, row_number() over () as patient_no from patient) p
left join known_session s on s.patient_key = p.patient_key and s.is_here
left join site_end e on e.site_code = s.site_code
where s.session_key is not null or p.enrolled_on <= coalesce($as_of::date, p.enrolled_on)
