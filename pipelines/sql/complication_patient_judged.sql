-- One row a patient and group in place of one a session: counted where the whole window is covered after every session
-- that is due. Otherwise the first reason that is not "not due yet". An event after any session that is due counts.
select
  {groups}
  min(session_id) as session_id,
  patient_no,
  false as has_others,
  {patient_told_columns}
from complication_judged
group by {groups} patient_no
