-- Complication records by grade, of sessions counted and not; with the sums over patients that the variance needs.
with graded as (
  select
    {j_groups}
    j.patient_no,
    coalesce(c.clavien_dindo, 'not recorded') as grade,
    {reason} = {counted} as is_counted,
    count(*) as records
  from complication c
  join complication_session s on s.session_key = c.session_key
  join complication_judged j on j.session_id = s.session_id
  where coalesce(coalesce(c.onset_day, 0) <= s.observed_day, true)
  group by all
),

person as (
  select {j_groups} j.patient_no, count(*) filter ({reason} = {counted}) as sessions
  from complication_judged j
  where j.patient_no in (select patient_no from graded)
  group by {j_groups} j.patient_no
)

select
  {e_groups}
  e.grade,
  coalesce(sum(e.records) filter (e.is_counted), 0)::bigint as records,
  coalesce(sum(e.records) filter (not e.is_counted), 0)::bigint as outside,
  coalesce(sum(e.records * e.records) filter (e.is_counted), 0)::bigint as sum_yy,
  coalesce(sum(e.records * p.sessions) filter (e.is_counted), 0)::bigint as sum_xy
from graded e
join person p
  on p.patient_no = e.patient_no {and_same_group_of_patient}
group by all
