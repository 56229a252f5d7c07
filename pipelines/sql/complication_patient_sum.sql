-- Fold: patients with a session counted, and the sum of squares of their sessions, by class of kinds.
select
  {groups}
  {sum_columns}
from complication_patient
group by all
