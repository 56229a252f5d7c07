"""The curve of age over the ages of the patients."""

from __future__ import annotations

from pipelines.next_session_model.measures import AGES

from ... import wording
from ...charts.effect_curve import effect_curve
from ...charts.ratio_plot import wording_of_ratio
from ...layout import Picture, Section
from .._data import ModelData
from .._words import AGE, covariate_label


def age(data: ModelData) -> Section | None:
    """None where age is not in the model as a curve."""
    curve = [(float(figure.group["level"]), figure) for figure in data.ratios("curve")]
    if not curve:
        return None
    people = [(float(figure.group[AGE]), figure.n) for figure in data.model.of(AGES)]
    reference = curve[0][1].group["against"]
    title = f"{covariate_label(AGE)}, years"
    told = [figure for value, figure in curve if value % 10 == 0 and figure.group["level"] != reference]
    words = (
        f"Curve of the hazard ratio of a next session by age, against {reference} years, from {curve[0][0]:g} to "
        f"{curve[-1][0]:g} years. "
        + "; ".join(f"{figure.group['level']} years: {wording_of_ratio(figure)}" for figure in told)
        + f". Bars: {wording.whole(sum(count for _, count in people))} patients by age."
    )
    return Section(
        "age",
        "Age",
        "age.html",
        {
            "picture": Picture(
                effect_curve(curve, people, "age", title),
                words,
                narrow=effect_curve(curve, people, "age-narrow", title, narrow=True),
            ),
            "reference": reference,
            "low": f"{curve[0][0]:g}",
            "high": f"{curve[-1][0]:g}",
            "knots": wording.listed([f"{knot:g}" for knot in data.model.knots]),
        },
    )
