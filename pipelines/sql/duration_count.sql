-- Fold: sessions by group and reason (empty: counted), with patients, as in `judged_count`, and those found gone and
-- then back.
with patient as (
  select
    {groups}
    reason,
    if(has_others, patient_key, null) as one_of_several,
    count(*) as sessions,
    count(*) filter (gone_then_back) as gone_then_back
  from duration_session
  group by all
)

select
  {groups}
  reason,
  sum(sessions)::bigint as sessions,
  sum(gone_then_back)::bigint as gone_then_back,
  sum(if(one_of_several is null, sessions, 1))::bigint as patients
from patient
group by all
