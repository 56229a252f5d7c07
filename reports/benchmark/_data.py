"""What the page shows, gathered before it is laid out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

from pipelines import Figure, figure_meta, time_to_next_session
from pipelines.comparison.blinding import LEAST_PEERS, Peer, blinded_labels, peers_of, volume_bands
from pipelines.comparison.figures import (
    graft_trend_figures,
    model_figures,
    own_figures,
    peer_figures,
    trend_figures,
)
from pipelines.comparison.graft_trend import GraftTrend
from pipelines.comparison.measures import NEXT_SESSION
from pipelines.comparison.next_session import next_sessions
from pipelines.comparison.practice import Practice
from pipelines.comparison.profile import (
    OTHERS,
    OWN,
    CaseAgain,
    cases_again,
    factor_figures,
    others_can_be_pooled,
    period_sessions,
    session_figures,
)
from pipelines.comparison.results import MeasureComparison, SurgeonResult
from pipelines.comparison.reviews import OutlierReview, outlier_reviews
from pipelines.comparison.surveillance import Trend
from pipelines.groups import choose
from registry import Settings
from registry.durations import years

from ..audit import Quarter

NEXT_SESSION_AT = (years(1), years(3), years(5))


@dataclass(frozen=True, eq=False)
class BenchmarkData:
    """What the page rests on. figures: all of it that leaves the project. peers: blinded, by measure."""

    practice: Practice
    surgeon: str
    quarter: Quarter
    meta: Mapping[str, Any]
    figures: tuple[Figure, ...]
    peers: Mapping[str, tuple[Peer, ...]]
    trends: tuple[Trend, ...]
    graft_trend: GraftTrend | None
    again: Mapping[str, list[CaseAgain]]
    reviews: tuple[OutlierReview, ...]
    pooled: bool

    @property
    def settings(self) -> Settings:
        """Of the registry."""
        return self.practice.registry.settings

    @property
    def floor(self) -> int:
        """Fewest sessions to rely on."""
        return self.settings.floor_denominator

    @cached_property
    def data_date(self) -> date | None:
        """The latest day up to which records are declared complete."""
        return self.practice.registry.data_date

    @property
    def results(self) -> list[tuple[MeasureComparison, SurgeonResult]]:
        """Each measure with the surgeon's own result, in the order declared."""
        return [(one, one.results[self.surgeon]) for one in self.practice.comparisons.values()]

    def of(self, measure: str, **group: str) -> list[Figure]:
        """The figures of a measure whose group holds these values."""
        return [
            figure
            for figure in self.figures
            if figure.measure == measure and all(figure.group.get(name) == value for name, value in group.items())
        ]


def gather(practice: Practice, surgeon: str, quarter: Quarter) -> BenchmarkData:
    """Everything of one surgeon, and of peers no more than may be shown."""
    registry, floor = practice.registry, practice.registry.settings.floor_denominator
    report = f"{surgeon} {quarter}"
    held = dict(period_sessions(practice).group_by("surgeon_code").len().rows())
    others = {code: held[code] for code in practice.registry.settings.surgeons if code in held and code != surgeon}
    labels, bands = blinded_labels(registry, report, list(others)), volume_bands(others)
    peers = {name: peers_of(one, surgeon, labels, bands, floor) for name, one in practice.comparisons.items()}
    trends = tuple(one for one in practice.trends(surgeon) if len(one.days) >= floor)
    grafts = practice.graft_trend(surgeon)
    grafts = grafts if grafts is not None and len(grafts.days) >= floor else None
    figures = [*session_figures(practice, surgeon)]
    for name, one in practice.comparisons.items():
        figures += [*own_figures(one, surgeon, floor), *peer_figures(one, peers[name])]
        figures += model_figures(practice.models[name])
    figures += [figure for one in trends for figure in trend_figures(one)]
    figures += graft_trend_figures(grafts) if grafts else ()
    figures += [*factor_figures(practice, surgeon), *_next_session(practice, surgeon)]
    described = practice.models.get(NEXT_SESSION)
    figures += next_sessions(registry, surgeon, model=described, as_of=practice.last_on)
    figures += model_figures(described) if described else ()
    frozen = practice.frozen
    return BenchmarkData(
        practice,
        surgeon,
        quarter,
        figure_meta(
            registry,
            report="benchmark",
            surgeon=surgeon,
            quarter=str(quarter),
            period=[practice.first_on.isoformat(), practice.last_on.isoformat()],
            case_mix_model=frozen.model_id if frozen else None,
            least_peers=LEAST_PEERS,
        ),
        tuple(figures),
        peers,
        trends,
        grafts,
        cases_again(practice, surgeon),
        outlier_reviews(registry, surgeon=surgeon),
        others_can_be_pooled(practice, surgeon),
    )


def _next_session(practice: Practice, surgeon: str) -> list[Figure]:
    """How often a next session here follows, after one's own sessions and after those of all others together."""
    settings = practice.registry.settings
    whose = {OWN: [surgeon]}
    if others_can_be_pooled(practice, surgeon):
        whose[OTHERS] = [code for code in settings.surgeons if code != surgeon]
    return [
        Figure(**{**vars(figure), "group": {"whose": name}})
        for name, codes in whose.items()
        for figure in time_to_next_session(
            practice.registry,
            estimand="here",
            at_days=NEXT_SESSION_AT,
            chosen=choose(settings, {"surgeon_code": codes}),
            as_of=practice.last_on,
        )
    ]
