"""The page that every report is: one HTML document that asks for nothing from outside, in one look."""

from ._document import document

__all__ = ["document"]
