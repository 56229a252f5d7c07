"""Counts in place of records: what sites that may not share records can share, and the figures of all of them."""

from .figures import pooled_figures, too_low_by
from .files import counts_text, read_counts
from .gathering import DEFAULT_FEWEST, gather_counts
from .model import FORMAT, VERSION, SiteCounts
from .pooling import Pooled, pool

__all__ = [
    "DEFAULT_FEWEST",
    "FORMAT",
    "VERSION",
    "Pooled",
    "SiteCounts",
    "counts_text",
    "gather_counts",
    "pool",
    "pooled_figures",
    "read_counts",
    "too_low_by",
]
