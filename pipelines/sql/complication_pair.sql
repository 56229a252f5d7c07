-- Every two sessions of one patient in one group. Sums of squares over patients need no more than these: the square of
-- a sum is the squares of its parts and twice the product of every two.
select
  {a_groups}
  {pair_columns}
from {judged} a
join {judged} b
  on b.patient_no = a.patient_no {and_same_group_of_pair} and b.session_id > a.session_id
where a.has_others and b.has_others
