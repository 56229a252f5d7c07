-- The chain of contacts from the session to the closing contact, the first on or after the end of the window.
    -- A contact on the day of the session has nothing to ask about, so it cannot break the chain.
    min(day) filter (day between {window} and {closes}) as {name}_closing_day,
    min(day) filter (day between 1 and {closes} and not {answered}) as {name}_first_unanswered_day,
    min(day) filter (day <= {closes} and {positive}) as {name}_first_positive_day,
    min(day) filter (day <= {closes} and {seen}) as {name}_first_seen_day
