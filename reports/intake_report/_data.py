"""All that the report of an intake shows, gathered before anything is laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipelines import Figure, figure_meta
from pipelines.intake_batch import Batch, intake_batch
from pipelines.intake_figures import batch_figures
from pipelines.intake_trend import SiteBatch, site_trend
from registry import Registry

from .. import wording

BATCHES_SHOWN = 12
"""The last batches of a site that its trend shows. A year of monthly deliveries; rule of thumb, no source."""


@dataclass(frozen=True)
class SiteTrend:
    """The last batches of a site up to the one reported, the oldest first. left_out: batches before them."""

    site: str
    batches: tuple[SiteBatch, ...]
    left_out: int


@dataclass(frozen=True)
class IntakeData:
    """One intake with what came before it.

    floor: shares that rest on fewer rows are flagged. registry_option: how a command names the registry, such as
    ` --registry demo/registry`; empty for the current folder.
    """

    batch: Batch
    trends: tuple[SiteTrend, ...]
    meta: Mapping[str, Any]
    floor: int
    registry_option: str

    @property
    def name(self) -> str:
        """What the event is called: one that took files in is an intake."""
        return f"{'Intake' if self.batch.kind == 'files' else 'Event'} {self.batch.intake_id}"

    @property
    def sites_words(self) -> str:
        """Whose rows came."""
        return wording.listed([f"site {site}" for site in self.batch.sites]) or "no known site"

    @property
    def received_words(self) -> str:
        """When it was."""
        received = self.batch.received_at
        return f"{wording.date_words(received.date())}, {received:%H:%M} UTC"

    @property
    def figures(self) -> tuple[Figure, ...]:
        """Every figure that the report shows."""
        return (
            *batch_figures(self.batch, self.floor),
            *(figure for trend in self.trends for step in trend.batches for figure in (step.held_back, step.warned)),
        )


def gather_data(registry: Registry, intake_id: int | None, registry_option: str) -> IntakeData:
    """Ask for everything once. Raises: GraftledgerError where there was no such intake."""
    batch = intake_batch(registry, intake_id)
    return IntakeData(
        batch,
        tuple(_trend(registry, site, batch.intake_id) for site in batch.sites) if batch.kind == "files" else (),
        figure_meta(
            registry,
            report="intake",
            intake=batch.intake_id,
            snapshot_before=batch.snapshot_before,
            snapshot_after=batch.snapshot_after,
        ),
        registry.settings.floor_denominator,
        registry_option,
    )


def _trend(registry: Registry, site: str, until_intake: int) -> SiteTrend:
    batches = site_trend(registry, site, until_intake=until_intake)
    return SiteTrend(site, batches[-BATCHES_SHOWN:], max(0, len(batches) - BATCHES_SHOWN))
