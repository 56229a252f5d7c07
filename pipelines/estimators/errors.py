"""What an estimator says when its counts cannot be true."""


class CountsError(ValueError):
    """Counts that contradict themselves: more events than people at risk, a day twice, a negative number.

    day: the first day at fault, or None where the fault has no day (a missing column, nobody assessed).
    The message names that day and the rule, never a record.
    """

    def __init__(self, problem: str, *, day: int | None = None) -> None:
        super().__init__(problem if day is None else f"day {day}: {problem}")
        self.day = day
