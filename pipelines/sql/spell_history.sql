-- Fold for several spells a patient: how many patients have exactly the same spells.
with patient_spells as (
  select
    {groups}
    first_operated,
    list(struct_pack(entry_day := entry_day, exit_day := exit_day, events := had_event::integer) order by all) as spells
  from coded_spell
  where reason is null
  group by {groups} first_operated, patient_key
)

select
  {groups}
  first_operated,
  spells,
  count(*) as alike
from patient_spells
group by all
