"""File formats: whatever comes in, sheets of text come out."""

from __future__ import annotations

from .encodings import known_encoding
from .paths import files_of, labels_of
from .reading import SUFFIXES, read_source
from .sheet import SourceSheet

__all__ = ["SUFFIXES", "SourceSheet", "files_of", "known_encoding", "labels_of", "read_source"]
