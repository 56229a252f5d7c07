-- Complication records by grade, of sessions counted and not; with the sums over patients that the variance needs.
with graded as (
  select
    {r_groups}
    r.patient_no,
    coalesce(c.clavien_dindo, 'not recorded') as grade,
    r.reason_records is null as counted,
    count(*) as records
  from complication c
  join judged_session s on s.session_key = c.session_key
  join complication_reason r on r.session_id = s.session_id
  where s.start_on + coalesce(c.onset_day, 0) <= coalesce(s.observed_to, 'infinity'::date)
  group by all
)

select
  {e_groups}
  e.grade,
  coalesce(sum(e.records) filter (e.counted), 0)::bigint as records,
  coalesce(sum(e.records) filter (not e.counted), 0)::bigint as outside,
  coalesce(sum(e.records * e.records) filter (e.counted), 0)::bigint as sum_yy,
  coalesce(sum(e.records * p.counted_records) filter (e.counted), 0)::bigint as sum_xy
from graded e
left join complication_patient p
  on p.patient_no = e.patient_no {and_same_group_of_patient}
group by all
