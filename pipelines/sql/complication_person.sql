-- Fold: patients with several sessions, by the classes of kinds in which any of these is counted, as bits a window.
with person as (
  select {person_columns}
  from {judged}
  where has_others
  group by {groups} patient_no
)

select
  *,
  count(*) as n
from person
group by all
