-- One row a session and question of its preparation: was it done, or why can that not be told?
with asked as (
  select
    {groups}
    s.patient_key,
    s.has_others,
    if(s.barred in ('dates_shifted', 'no_start_date'), s.barred, null) as barred,
    r.bleeding_risk_medicines,
    r.allergies_recorded,
    r.tests_done
  from judged_session s
  join session r on r.session_key = s.session_key
),

answer as (
  select
    {groups}
    patient_key,
    has_others,
    barred,
    'medicines_reviewed' as measure,
    bleeding_risk_medicines <> 'not_reviewed' as done
  from asked
  union all by name
  select
    {groups}
    patient_key,
    has_others,
    barred,
    'allergies_recorded' as measure,
    if(allergies_recorded = 'unknown', null, allergies_recorded = 'yes') as done
  from asked
  union all by name
  select
    {groups}
    patient_key,
    has_others,
    barred,
    'test_' || test as measure,
    list_contains(tests_done, test) as done
  from asked
  cross join (select unnest($tests) as test)
)

select
  {groups}
  patient_key,
  has_others,
  measure,
  coalesce(barred, if(done is null, 'item_empty', null)) as reason,
  coalesce(done, false) as had_event
from answer
