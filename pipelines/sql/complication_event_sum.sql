-- Fold: sums over patients of events squared, and of events times sessions counted, as the variance needs them.
with patient_event as (
  select {groups} patient_no, kind, severity, count(*) as events
  from {outcome_table}
  where had_event and reason is null
  group by {groups} patient_no, kind, severity
)

select
  {e_groups}
  e.kind,
  e.severity,
  sum(e.events * e.events)::bigint as sum_yy,
  sum(e.events * {counted_of_kind})::bigint as sum_xy
from patient_event e
join complication_patient p
  on p.patient_no = e.patient_no {and_same_group_of_patient}
group by all
