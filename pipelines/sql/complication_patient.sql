-- Sessions counted for each patient, by class of kinds.
select
  {groups}
  patient_no,
  {counted_columns}
from {reason_table}
group by {groups} patient_no
