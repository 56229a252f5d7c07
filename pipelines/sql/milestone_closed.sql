-- Milestones whose days ended in a span of time.
from milestone_contact
where closed_on between coalesce($closed_from::date, closed_on) and coalesce($closed_to::date, closed_on)
