-- One row a gap from a session here to the next one here, as the figures of the time to the next session count it.
-- In gap time the clock starts at the session; in time since the index it starts at the patient's first session here.
select
  s.session_key,
  s.patient_key,
  j.number_here as gap_number,
  j.first_operated = 'here' as first_operated_here,
  p.index_on,
  j.start_on,
  j.start_on + j.exit_day::integer as stop_on,
  j.entry_day as start,
  j.exit_day as stop,
  j.had_event as event,
  not j.had_event and coalesce(p.died_on - j.start_on = j.exit_day, false) as died,
  j.start_on - p.index_on + j.entry_day as start_since_index,
  j.start_on - p.index_on + j.exit_day as stop_since_index
from judged_spell j
join export_session s on s.registry_key = j.session_key
join export_patient p on p.patient_key = s.patient_key
where j.reason is null
