-- One row a session, and one number a window (told_0, told_1, ...) that holds why it is not counted in each class of
-- kinds, and what is known of each kind with an item: see `complication_code`. Millions of sessions share few numbers.
-- has_others: the patient may have other sessions here; of all others the session is the patient.
select
  {groups}
  session_id,
  patient_no,
  observed_day,
  patient_no in (select patient_no from complication_session where next_day is not null) as has_others,
  {told_columns}
from complication_fact
