"""From the comparison of a practice to the finished page of one surgeon."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines import FigureSet
from pipelines.comparison.measures import SESSIONS_HELD
from pipelines.comparison.practice import Practice

from .. import wording
from ..audit import Quarter
from ..page import document
from ._data import BenchmarkData, gather
from ._sections.again import again
from ._sections.case_mix import case_mix
from ._sections.cases import cases
from ._sections.in_short import in_short
from ._sections.methods import cannot_conclude, methods
from ._sections.next_session import next_session
from ._sections.outcomes import outcomes
from ._sections.reviews import reviews
from ._sections.trend import trend

PAGE_FILE, FIGURES_FILE, PDF_FILE = "benchmark.html", "figures.json", "benchmark.pdf"


@dataclass(frozen=True)
class BenchmarkDocument:
    """A finished page. html: the page. figures_json: the figures that it shows, unrounded. data: what it shows."""

    html: str
    figures_json: str
    data: BenchmarkData


def build_benchmark(practice: Practice, surgeon: str, quarter: Quarter) -> BenchmarkDocument:
    """The page of one surgeon. The same records, settings, model and version give the same bytes.

    practice: of `compare_practice` up to the quarter's last day. Neither page nor figures name another surgeon.
    """
    data = gather(practice, surgeon, quarter)
    held = next(figure for figure in data.of(SESSIONS_HELD) if not figure.group)
    parts = (
        in_short(data),
        cases(data),
        outcomes(data),
        trend(data),
        case_mix(data),
        next_session(data),
        again(data),
        reviews(data),
        cannot_conclude(data),
        methods(data),
    )
    cover = {
        "practice": data.settings.practice,
        "surgeon": surgeon,
        "quarter": str(quarter),
        "period": f"{wording.date_words(practice.first_on)} to {wording.date_words(practice.last_on)}",
        "sessions": wording.whole(held.n),
        "data_date": wording.date_words(data.data_date),
        "model": f"number {practice.frozen.model_id}" if practice.frozen else "fitted for this page alone",
        "snapshot": data.meta["snapshot"],
        "settings": data.meta["settings"],
        "version": data.meta["version"],
    }
    title = f"My results beside blinded peers: {surgeon}, {quarter}"
    html = document("reports.benchmark", title, cover, [part for part in parts if part is not None])
    return BenchmarkDocument(html, FigureSet(data.meta, data.figures).to_json(), data)
