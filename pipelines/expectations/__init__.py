"""What a practice tells its patients, held against its own records."""

from .judging import LEVEL, Judgement, Verdict, cases_needed, judge, judge_all, judge_over_years
from .statements import FILE, Statement, load_statements, starter_text

__all__ = [
    "FILE",
    "LEVEL",
    "Judgement",
    "Statement",
    "Verdict",
    "cases_needed",
    "judge",
    "judge_all",
    "judge_over_years",
    "load_statements",
    "starter_text",
]
