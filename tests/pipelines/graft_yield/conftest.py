"""Shared by the tests of graft counts."""

from tests.pipelines.graft_yield.records import empty

__all__ = ["empty"]
