"""Time to the next session: what it can mean, how likely it is, what ends the wait, and how far loss could shift it."""

from .causes import next_session_causes
from .differences import next_session_differences
from .estimands import COMPETING, ESTIMANDS, sentence_of
from .follow_up import next_session_follow_up
from .probability import time_to_next_session
from .reading import DEFAULT_AT_DAYS
from .sensitivity import next_session_sensitivity
from .summaries import next_session_summaries
from .total_sessions import further_sessions

__all__ = [
    "COMPETING",
    "DEFAULT_AT_DAYS",
    "ESTIMANDS",
    "further_sessions",
    "next_session_causes",
    "next_session_differences",
    "next_session_follow_up",
    "next_session_sensitivity",
    "next_session_summaries",
    "sentence_of",
    "time_to_next_session",
]
