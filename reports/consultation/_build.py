"""From a registry and a profile to the sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from pipelines import Figure, FigureSet, figure_meta
from pipelines.consultation import Profile, Topic, consultation_topics
from pipelines.measures import QUANTITIES
from registry import Registry

from .. import wording
from ..charts import IntervalRow
from ..intervals import interval_picture
from ..layout import Section
from ..page import document
from ..pdf import pdf_of
from ._words import CAUTION, THERAPY, TOPICS, Line, basis_words, lines_of

SHEET_FILE, PRINT_FILE, FIGURES_FILE = "consultation_sheet.html", "consultation_sheet.pdf", "figures.json"
_NAME = "Figures for the next consultation"


@dataclass(frozen=True)
class ConsultationSheet:
    """A finished sheet. html: the page. figures_json: its figures, unrounded. topics: what it shows."""

    html: str
    figures_json: str
    topics: tuple[Topic, ...]

    def pdf(self, paper: str = "a4") -> bytes:
        """The sheet on one printed page. Raises: GraftledgerError for another paper than `reports.pdf.PAPERS` has."""
        return pdf_of(self.html, paper=paper, compact=True).content


def build_sheet(
    registry: Registry, profile: Profile, *, progress: Callable[[str], None] = lambda words: None
) -> ConsultationSheet:
    """The sheet for a patient of this profile. The same records, settings and version give the same bytes.

    Raises: GraftledgerError for a profile that cannot be.
    """
    topics = consultation_topics(registry, profile, progress=progress)
    asked = {name: value for name, value in vars(profile).items() if value is not None}
    meta = figure_meta(registry, report="consultation-sheet", profile=asked)
    cover = {
        "practice": registry.settings.practice,
        "name": _NAME,
        "asked": _asked_words(profile),
        "data_date": wording.date_words(registry.data_date),
        "snapshot": meta["snapshot"],
        "settings": meta["settings"],
        "version": meta["version"],
        "caution": CAUTION,
        "therapy": THERAPY,
    }
    html = document("reports.consultation", _NAME, cover, [_section(topic) for topic in topics])
    figures = tuple(figure for topic in topics for figure in topic.figures)
    return ConsultationSheet(html, FigureSet(meta, figures).to_json(), topics)


def _section(topic: Topic) -> Section:
    lines = lines_of(topic)
    shares = [line for line in lines if line.figure.measure not in QUANTITIES]
    title = TOPICS[topic.name]
    picture = None
    if shares:
        rows = [IntervalRow(line.label, _shown(line)) for line in shares]
        picture = interval_picture(rows, topic.name.replace("_", "-"), title.lower(), "Share, with its 95% interval")
    return Section(
        topic.name.replace("_", "-"),
        title,
        "topic.html",
        {"lines": lines, "basis": " ".join(basis_words(topic)), "picture": picture},
    )


def _shown(line: Line) -> Figure:
    """The figure to draw; what rests on too few is left out, and so are events where they are no part of the share."""
    figure = line.figure
    if "too_few" in figure.flags:
        figure = replace(figure, estimate=None, lower=None, upper=None)
    return replace(figure, events=None) if figure.method.startswith("turnbull") else figure


def _asked_words(profile: Profile) -> str:
    parts = [f"{profile.age_years} years"]
    parts += [text.replace("_", " ") for text in (profile.sex, profile.stage, profile.technique) if text]
    if profile.grafts is not None:
        parts.append(f"{wording.whole(profile.grafts)} grafts")
    return ", ".join(parts)
