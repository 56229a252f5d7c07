-- One row a patient and group in place of one a session: counted where the whole window is covered after every session
-- that is due. Otherwise the first reason that is not "not due yet".
select
  {groups}
  min(session_id) as session_id,
  patient_no,
  {patient_reason_columns}
  null as next_day
from complication_reason
group by {groups} patient_no
