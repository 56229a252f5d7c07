-- Estimand "from first": from the first surgery anywhere to the next one, seen from the enrolment on. Whoever was
-- operated on elsewhere enrols, as a rule, for a session: those with one here in the first $not_before days are left
-- out, and the others are at risk from the day on which that is known.
with own as (
  select
    p.patient_key,
    min(s.performed_on) as session_on,
    arg_min(s.site_code, s.performed_on) as site_code
  from patient p
  join known_session s on s.patient_key = p.patient_key and s.is_here and s.session_number > 1
  group by p.patient_key
),

placed as (
  select
    {group_definitions}
    p.patient_key,
    if(
      coalesce(p.sessions_elsewhere, 0) = 0 and coalesce(f.first_number_here, 1) = 1, 'here', 'elsewhere'
    ) as operated,
    coalesce(f.performed_on, p.first_surgery_on) as first_on,
    coalesce(f.performed_precision, p.first_surgery_precision, 'day') = 'day' as day_known,
    coalesce(p.sessions_elsewhere, 0) > 1 as had_one_before,
    p.enrolled_on + if(operated = 'elsewhere', $not_before::integer, 0) as entered_on,
    own.session_on,
    least(e.observed_to, p.died_on) as end_on,
    p.dates_shifted,
    p.enrolled_on
  from patient p
  left join known_session f on f.patient_key = p.patient_key and f.is_here and f.session_number = 1
  left join own on own.patient_key = p.patient_key
  left join known_session s on false
  left join site_end e on e.site_code = coalesce(f.site_code, own.site_code, p.site_code)
  where {chosen} and p.enrolled_on <= coalesce($as_of::date, p.enrolled_on)
)

select
  {groups}
  patient_key,
  'here' as first_operated,
  'here' as ending,
  case
    when dates_shifted then 'dates_shifted'
    when first_on is null or not day_known then 'no_start_date'
    when end_on is null then 'no_declaration'
    when had_one_before then 'had_one_before'
    when operated = 'elsewhere' and session_on < entered_on then 'enrolled_for_session'
  end as barred,
  greatest(entered_on - first_on, 0) as entry_day,
  least(end_on, session_on) - first_on as exit_day,
  coalesce(session_on <= end_on, false) as had_event
from placed
