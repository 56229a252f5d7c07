-- The milestones asked for, with the days that serve each, and the bit that stands for it.
select
  unnest($milestones) as milestone,
  1 << unnest(range(len($milestones))) as bit,
  unnest($dues) as due,
  unnest($opens_at) as opens,
  unnest($closes_at) as closes
