"""Figures as JSON and CSV."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from pipelines import NOT_COUNTED_REASONS, Figure, FigureSet, figure_meta, time_to_next_session
from registry.errors import GraftledgerError
from tests.small_registry import small_registry

FIGURES = (
    Figure(
        "infection",
        120,
        "sessions",
        "wilson",
        group={"site_code": "A"},
        estimate=0.025,
        lower=0.0085,
        upper=0.071,
        n_clusters=110,
        events=3,
        window="0-60",
        not_counted={"not_due": 4, "item_empty": 2},
    ),
    Figure("infection", 0, "sessions", "wilson", group={"sex": "male"}, flags=("too_few", "suppressed")),
)


def test_json_holds_the_figures_in_stated_order_and_nothing_of_the_clock() -> None:
    text = FigureSet({"snapshot": "x"}, FIGURES).to_json()
    assert text == FigureSet({"snapshot": "x"}, FIGURES).to_json()
    content = json.loads(text)
    assert list(content) == ["meta", "figures"]
    assert list(content["figures"][0])[:6] == ["measure", "group", "at", "estimate", "lower", "upper"]
    assert content["figures"][1]["estimate"] is None
    assert content["figures"][0]["not_counted"] == {"not_due": 4, "item_empty": 2}


def test_csv_holds_the_same_rows_flat() -> None:
    first, second = csv.DictReader(io.StringIO(FigureSet({}, FIGURES).to_csv()))
    assert {name: first[f"not_counted_{name}"] for name in NOT_COUNTED_REASONS if first[f"not_counted_{name}"]} == {
        "not_due": "4",
        "item_empty": "2",
    }
    assert (first["group_site_code"], first["group_sex"], first["window"]) == ("A", "", "0-60")
    assert (first["estimate"], second["estimate"], second["flags"]) == ("0.025", "", "too_few;suppressed")
    assert list(first) == list(second)


def test_csv_of_nothing_has_its_header() -> None:
    assert FigureSet({}, ()).to_csv().startswith("measure,at,estimate,")


@pytest.mark.parametrize("text", ["=1+1", "+x", "-x", "@x"])
def test_csv_refuses_what_a_spreadsheet_would_run(text: str) -> None:
    figure = Figure("infection", 1, "sessions", "wilson", group={"site_code": text})
    with pytest.raises(GraftledgerError, match="group_site_code"):
        FigureSet({}, (figure,)).to_csv()


def test_meta_names_what_the_figures_rest_on(empty_registry: Path) -> None:
    with small_registry(empty_registry, patient=[{"patient_key": "p"}]) as registry:
        meta = figure_meta(registry, analysis="time-to-next-session")
        figures = time_to_next_session(registry, by=(), at_days=[1])
        assert meta["snapshot"] == registry.snapshot
        assert meta["settings"] == registry.settings.digest != ""
    assert (meta["data_date"], meta["analysis"]) == ("2020-01-01", "time-to-next-session")
    assert meta["floors"] == {"at_risk": 10, "denominator": 10}
    json.loads(FigureSet(meta, figures).to_json())
