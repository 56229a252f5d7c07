"""Figures for the next consultation."""

from .matching import Match, Profile, profile_of
from .sheet import Topic, consultation_topics

__all__ = ["Match", "Profile", "Topic", "consultation_topics", "profile_of"]
