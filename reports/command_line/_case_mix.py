"""Commands for case-mix models: fit and freeze one, list them, show one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import GraftledgerError
from registry.store import open_registry

from ._app import RegistryOption, app, command, note, say
from ._intake import ReceivedByOption, login
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.comparison.case_mix import CaseMixModel

group = typer.Typer(
    name="case-mix",
    help="Models of what is to be expected of patients, frozen so that quarters are measured by one rule.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(group)

_WIDTH = 80


@command("fit", group)
def fit(
    since: Annotated[
        datetime | None,
        typer.Option("--since", formats=["%Y-%m-%d"], metavar="DATE", help="First day of the reference period."),
    ] = None,
    until: Annotated[
        datetime | None,
        typer.Option("--until", formats=["%Y-%m-%d"], metavar="DATE", help="Its last day."),
    ] = None,
    registry: RegistryOption = Path("."),
    received_by: ReceivedByOption = None,
) -> None:
    """Fit the models of all measures over a reference period and freeze them; five years if left out."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from pipelines.comparison.storing import freeze_models, load_models, reference_period

    with open_registry(registry, read_only=False) as opened:
        last_on = until.date() if until else opened.data_date
        if last_on is None:
            raise GraftledgerError(
                "No site has declared up to when its records are complete, so nothing can be judged. Take in a "
                "site_period file first."
            )
        first_on = since.date() if since else reference_period(last_on)[0]
        with progress_line() as progress:
            progress("Fitting the models, and once more without each surgeon")
            frozen = freeze_models(opened, first_on, last_on, frozen_by=received_by or login())
        models = load_models(opened, frozen.model_id)
    say(f"Case-mix model {frozen.model_id} is frozen: sessions of {first_on} to {last_on}.")
    for line in model_lines(models):
        say(line)
    note(fill("Benchmarks use it from now on. It is never changed; fitting again adds the next number.", _WIDTH))


@command("list", group)
def list_(registry: RegistryOption = Path(".")) -> None:
    """Print every frozen model."""
    from pipelines.comparison.storing import list_models

    with open_registry(registry) as opened:
        found = list_models(opened)
    if not found:
        say("No case-mix model is frozen yet: graftledger case-mix fit.")
        return
    say(f"{'model':>5}  {'sessions of':<26}{'frozen (UTC)':<18}{'by':<12}{'snapshot':<16}")
    for one in found:
        period = f"{one.reference_from} to {one.reference_to}"
        say(f"{one.model_id:>5}  {period:<26}{one.frozen_at:%Y-%m-%d %H:%M}  {one.frozen_by[:11]:<12}{one.snapshot}")


@command("show", group)
def show(
    model_id: Annotated[int, typer.Argument(metavar="N", help="Number of the model.")],
    registry: RegistryOption = Path("."),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Also write calibration plots, one a measure, as SVG.")
    ] = None,
) -> None:
    """Print a frozen model: what it rests on, its coefficients, and how well it foretells."""
    from pipelines.comparison.storing import frozen_model, load_models

    with open_registry(registry) as opened:
        frozen, models = frozen_model(opened, model_id), load_models(opened, model_id)
    say(f"Case-mix model {model_id}, sessions of {frozen.reference_from} to {frozen.reference_to}.")
    say(
        fill(
            f"Frozen {frozen.frozen_at:%Y-%m-%d} by {frozen.frozen_by} with graftledger {frozen.program_version}, "
            f"snapshot {frozen.snapshot}, settings {frozen.settings}.",
            _WIDTH,
        )
    )
    for line in model_lines(models):
        say(line)
    for model in models.values():
        for line in _coefficients(model):
            say(line)
    if out is not None:
        _write_plots(models, out)


def model_lines(models: dict[str, CaseMixModel]) -> Iterator[str]:
    """One line a measure: what it rests on, and how well it foretells patients left out of the fit."""
    from pipelines.comparison.measures import NEXT_SESSION, model_label

    yield ""
    yield f"{'':26}{'method':<16}{'events':>16}{'c':>6}{'slope':>7}{'shift':>7}"
    yield "-" * _WIDTH
    for name, model in models.items():
        whole, checks = model.whole, model.checks
        if whole is None:
            yield f"{model_label(name)[:26]:26}no session"
            continue
        events = f"{whole.events:,} of {whole.n:,}"
        numbers = (checks.c_statistic, checks.slope, checks.intercept) if checks else (None,) * 3
        c, slope, intercept = ("-" if value is None else f"{value:.2f}" for value in numbers)
        yield (
            f"{model_label(name)[:26]:26}{whole.method.replace('_', ' '):<16}{events:>16}{c:>6}{slope:>7}{intercept:>7}"
        )
    yield from wrap(
        "c: 0.5 foretells nothing. Slope: 1 is right, near 0 the factors foretell nothing. "
        "Shift (calibration intercept): 0 is right. All for patients left out of the fit.",
        _WIDTH,
    )
    if NEXT_SESSION in models:
        yield from wrap(
            "Next session: events of patients; described on a surgeon's page and never flagged, since it is no measure "
            "of quality.",
            _WIDTH,
        )


def _coefficients(model: CaseMixModel) -> Iterator[str]:
    from pipelines.comparison.measures import model_label
    from pipelines.comparison.next_session_fit import A_YEAR

    whole = model.whole
    if whole is None or whole.method == "no_factors":
        return
    yield ""
    names = [name for factor in model.factors for name in factor.columns]
    if whole.baseline is None:
        yield f"{model_label(model.measure)}, log odds:"
        names = ["intercept", *names]
    else:
        yield f"{model_label(model.measure)}, log hazard ratios:"
    for name, value in zip(names, whole.coefficients, strict=True):
        yield f"  {name[:60]:60}{value:>8.3f}"
    if whole.baseline is not None:
        yield "  cumulative hazard of who stands at 0 in each, by day after surgery:"
        rows = list(zip(whole.baseline.days, whole.baseline.cumulative, strict=True))
        for day, hazard in [*rows[A_YEAR:-1:A_YEAR], rows[-1]]:
            yield f"  {day:>6}{hazard:>62.4f}"


def _write_plots(models: dict[str, CaseMixModel], folder: Path) -> None:
    from ..benchmark import calibration_drawing
    from ..writing import write_report

    files = {
        f"calibration_{name}.svg": drawing.svg
        for name, model in models.items()
        if (drawing := calibration_drawing(model))
    }
    if not files:
        note("No model adjusts for anything, so there is no plot.")
        return
    for path in write_report(folder, files, "calibration plot"):
        note(str(path))
