-- The milestones asked for, with the days that serve each.
select
  unnest($milestones) as milestone,
  unnest($dues) as due,
  unnest($opens_at) as opens,
  unnest($closes_at) as closes
