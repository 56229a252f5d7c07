-- The milestones with the days that serve each, and the last day on which a missed one is still worth a call.
select
  unnest($milestones) as milestone,
  unnest($dues) as due,
  unnest($opens_at) as opens,
  unnest($closes_at) as closes,
  unnest($listed_to) as listed_to
