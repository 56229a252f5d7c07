"""My patients beside those of all others together, and the models that allow for the difference."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pipelines.comparison.calibration import Calibration
from pipelines.comparison.case_mix import CaseMixModel
from pipelines.comparison.measures import CHOSEN_BY_SURGEON, COMPARED, FACTOR_DIFFERENCE, FACTOR_MEAN, FACTOR_SHARE
from pipelines.comparison.profile import WIDE_DIFFERENCE
from pipelines.figure import Figure
from registry.definition import record_type

from ... import wording
from ...layout import Cell, Picture, Row, Section, Table
from .._calibration import calibration_drawing
from .._data import BenchmarkData
from .._words import factor_label, factor_level, lowered, method_words


def case_mix(data: BenchmarkData) -> Section:
    """Factors of patients, then the models."""
    frozen = data.practice.frozen
    return Section(
        "case-mix",
        "My patients",
        "case_mix.html",
        {
            "table": _factors(data),
            "models": model_table(data.practice.models),
            "panels": list(_panels(data)),
            "frozen": ""
            if frozen is None
            else (
                f"Case-mix model {frozen.model_id}, frozen on {wording.date_words(frozen.frozen_at.date())}, from "
                f"sessions of {wording.date_words(frozen.reference_from)} to "
                f"{wording.date_words(frozen.reference_to)}, snapshot {frozen.snapshot}."
            ),
            "chosen": wording.listed([chosen_words(name) for name in CHOSEN_BY_SURGEON]),
            "wide": WIDE_DIFFERENCE,
            "pooled": data.pooled,
        },
    )


def _panels(data: BenchmarkData) -> Iterator[Picture]:
    """A calibration plot for each model that adjusts for something."""
    for name, measure in COMPARED.items():
        drawing = calibration_drawing(data.practice.models[name], narrow=True)
        if drawing is not None:
            label = measure.label
            yield Picture(
                drawing,
                f"Calibration plot, {lowered(label)}: share seen beside share expected in groups of like expected "
                "share. figures.json holds the same numbers.",
                label,
            )


def _factors(data: BenchmarkData) -> Table:
    rows: list[Row] = []
    last = ""
    for figure in [*data.of(FACTOR_MEAN, whose="own"), *data.of(FACTOR_SHARE, whose="own")]:
        name, level = figure.group["factor"], figure.group.get("level")
        if level and name != last and figure.measure == FACTOR_SHARE:
            rows.append(Row(factor_label(name)))
            last = name
        group = {"factor": name, **({"level": level} if level else {})}
        others = next(
            (f for f in data.of(figure.measure, whose="others", **group) if f.group.get("level") == level), None
        )
        difference = next((f for f in data.of(FACTOR_DIFFERENCE, **group) if f.group.get("level") == level), None)
        rows.append(
            Row(
                factor_level(name, level) if level else f"{factor_label(name)}, mean",
                (Cell(_value(figure)), Cell("–" if others is None else _value(others)), Cell(_difference(difference))),
            )
        )
    return Table(
        "What patients brought along, by session",
        ("Factor", "Mine", "All others together", "Standardised difference"),
        tuple(rows),
    )


def _value(figure: Figure) -> str:
    if figure.estimate is None:
        return wording.NOT_SHOWN
    return f"{figure.estimate:.1f}" if figure.measure == FACTOR_MEAN else wording.percent(figure.estimate)


def _difference(figure: Figure | None) -> str:
    if figure is None or figure.estimate is None:
        return "–"
    return f"{abs(figure.estimate):.2f}"


def model_table(models: Mapping[str, CaseMixModel]) -> Table:
    """The models: how each was fitted, to how many, and how well it foretells patients that it was not fitted to."""
    rows = []
    for name, measure in COMPARED.items():
        model = models.get(name)
        if model is None or model.whole is None:
            rows.append(Row(measure.label, (Cell("no session"), Cell("–"), Cell("–"), Cell("–"), Cell("–"))))
            continue
        factors = [lowered(factor_label(factor.name)) for factor in model.factors]
        used = model.whole.method != "no_factors"
        rows.append(
            Row(
                measure.label,
                (
                    Cell(method_words(model.whole.method), (wording.listed(factors),) if used and factors else ()),
                    Cell(f"{wording.whole(model.whole.events)} of {wording.whole(model.whole.n)}"),
                    *_checks(model.checks),
                ),
            )
        )
    return Table(
        "Case-mix models of all surgeons; you are compared with the same model fitted without you",
        ("Outcome", "Model", "Events", "c-statistic", "Calibration slope", "Calibration intercept"),
        tuple(rows),
        (
            "c-statistic: of two sessions, how often the one with the event had the higher expected share; 0.5 is no "
            "better than a coin. Slope: 1 is right; near 0, the factors foretell nothing and allowing for them changes "
            "little. Intercept: 0 is right. All three for patients left out of the fit, a tenth at a time.",
        ),
        words=(1,),
    )


def _checks(checks: Calibration | None) -> tuple[Cell, Cell, Cell]:
    if checks is None:
        return Cell("–"), Cell("–"), Cell("–")
    numbers = (checks.c_statistic, checks.slope, checks.intercept)
    c, slope, intercept = ("–" if value is None else f"{value:.2f}".replace("-", "−") for value in numbers)
    error = () if checks.slope_error is None else (f"± {1.96 * checks.slope_error:.2f}",)
    return Cell(c), Cell(slope, error), Cell(intercept)


def chosen_words(name: str) -> str:
    """A choice of the surgeon, within a sentence."""
    if name == "placed_density":
        return "placed density"
    if name == "site_code":
        return "site"
    return lowered(next(field.label for field in record_type("session").fields if field.name == name))
