"""Two practices with records of their own, and one registry with the records of both."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

import polars as pl

from registry.snapshot import computed_sums, store_sums
from registry.store import Registry
from synthetic_data import SITES, SURGEONS, simulate
from tests.small_registry import load_frames, registry_in_memory

OTHER_SITES = tuple(f"FAR-{number}" for number in range(1, len(SITES) + 1))

Frames = Mapping[str, pl.DataFrame]


@dataclass(frozen=True)
class Practices:
    """one, other: registries that share no patient. both: all their records in one."""

    one: Registry
    other: Registry
    both: Registry


def elsewhere_named(frames: Frames) -> dict[str, pl.DataFrame]:
    """The same records under other codes of sites."""
    codes = dict(zip(SITES, OTHER_SITES, strict=True))
    return {
        name: frame.with_columns(pl.col("site_code").replace(codes)) if "site_code" in frame.columns else frame
        for name, frame in frames.items()
    }


def filled(registry: Registry, frames: Frames) -> None:
    load_frames(registry, frames)
    store_sums(registry.connection, computed_sums(registry.connection))


@contextmanager
def two_practices(patients: tuple[int, int], seeds: tuple[int, int]) -> Iterator[Practices]:
    first = simulate(patients[0], seeds[0]).frames
    second = elsewhere_named(simulate(patients[1], seeds[1]).frames)
    together = {name: pl.concat([first[name], second[name]]) for name in first}
    with (
        registry_in_memory(SITES, SURGEONS) as one,
        registry_in_memory(OTHER_SITES, SURGEONS) as other,
        registry_in_memory((*SITES, *OTHER_SITES), SURGEONS) as both,
    ):
        filled(one, first)
        filled(other, second)
        filled(both, together)
        yield Practices(one, other, both)
