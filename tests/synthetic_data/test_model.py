"""The stated model, and that what is drawn follows it. Expected values: by hand, from the stated laws."""

from __future__ import annotations

import ast
import inspect
import math
from dataclasses import fields
from datetime import timedelta

import numpy as np
import pytest

import synthetic_data.model as stated
from registry.milestones import MILESTONES
from registry.settings import parse_settings
from synthetic_data import MODEL, SITES, SURGEONS, Model
from synthetic_data._course import _numb_until
from synthetic_data._draw import NEVER, stream
from synthetic_data._history import _gap_years
from synthetic_data._patients import _years_to_death, draw_patients
from synthetic_data.clinics import DATA_DATE, SITE_LIST, SURGEON_LIST

DRAWS = 200_000


def four_errors(share: float, draws: int = DRAWS) -> float:
    """Four binomial standard errors: the checks fail by chance once in about 16,000."""
    return 4.0 * math.sqrt(share * (1.0 - share) / draws)


def normal_below(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def test_every_parameter_is_explained() -> None:
    tree = ast.parse(inspect.getsource(stated))
    model = next(node for node in tree.body if isinstance(node, ast.ClassDef) and node.name == "Model")
    explained = {
        before.target.id
        for before, after in zip(model.body, model.body[1:], strict=False)
        if isinstance(before, ast.AnnAssign)
        and isinstance(before.target, ast.Name)
        and isinstance(after, ast.Expr)
        and isinstance(after.value, ast.Constant)
    }
    assert explained == {field.name for field in fields(Model)}


def test_codes_of_sites_and_surgeons_pass_as_settings() -> None:
    settings = parse_settings({"practice": "x", "sites": list(SITES), "surgeons": list(SURGEONS)}, "here")
    assert settings.sites == SITES
    assert settings.surgeons == SURGEONS


def test_each_site_has_a_surgeon_on_every_day_of_its_records() -> None:
    for site in SITE_LIST:
        own = [surgeon for surgeon in SURGEON_LIST if surgeon.site == site.code]
        for days in range(0, (site.complete_to - site.opened_on).days + 1, 7):
            day = site.opened_on + timedelta(days=days)
            assert any(surgeon.active_from <= day <= surgeon.active_to for surgeon in own), (site.code, day)
    assert max(site.complete_to for site in SITE_LIST) == DATA_DATE


def test_each_milestone_has_an_attendance() -> None:
    assert set(MODEL.attendance) == {milestone.name for milestone in MILESTONES} | {"yearly"}


def test_gaps_follow_the_stated_hazards() -> None:
    years = _gap_years(stream(1, "gap"), np.full(DRAWS, 1.5), MODEL.gap_hazard_here, MODEL)
    edges, hazard = MODEL.gap_edges_years, MODEL.gap_hazard_here
    cumulated = 0.0
    for start, end, rate in zip(edges, edges[1:], hazard, strict=False):
        cumulated += 1.5 * rate * (end - start)
        expected = 1.0 - math.exp(-cumulated)
        assert (years <= end).mean() == pytest.approx(expected, abs=four_errors(expected) + 1e-12)
    assert years.min() > edges[1], "the first interval has no hazard"


def test_deaths_follow_gompertz() -> None:
    slope, rate = MODEL.death_log_rate_per_year_of_age, MODEL.death_per_year_at_35
    years = _years_to_death(stream(1, "death"), np.full(DRAWS, 60.0), MODEL)
    for at in (5.0, 10.0, 20.0):
        hazard = rate * math.exp(slope * 25.0) * (math.exp(slope * at) - 1.0) / slope
        expected = 1.0 - math.exp(-hazard)
        assert (years <= at).mean() == pytest.approx(expected, abs=four_errors(expected))


def test_numbness_follows_its_law() -> None:
    law = MODEL.numbness_donor_strip
    until = _numb_until(stream(1, "numb"), law, np.full(DRAWS, 2000))
    assert (until == 0).mean() == pytest.approx(law.never_numb_share, abs=four_errors(law.never_numb_share))
    assert (until >= NEVER).mean() == pytest.approx(law.lasting_share, abs=four_errors(law.lasting_share))
    for at in (182, 365):
        still = 1.0 - normal_below(math.log(at / law.median_days) / law.log_sd)
        expected = law.lasting_share + (1.0 - law.never_numb_share - law.lasting_share) * still
        assert (until > at).mean() == pytest.approx(expected, abs=four_errors(expected))


def test_patients_follow_the_stated_shares() -> None:
    patients = draw_patients(DRAWS, 3, MODEL)
    before = MODEL.elsewhere_before_share
    assert (patients.elsewhere_before > 0).mean() == pytest.approx(before, abs=four_errors(before))
    alpha, beta = MODEL.age_beta
    mean = MODEL.age_low + MODEL.age_span * alpha / (alpha + beta) - 0.5  # completed years
    assert patients.age.mean() == pytest.approx(mean, abs=0.15)
    assert ((patients.started + 3) % 7 != 6).mean() > 0.99  # no Sundays but where dates were shifted
    assert (patients.started <= patients.end).all()
    assert (patients.died > patients.started).all()
    assert (patients.enrolled <= patients.started).all()


def test_growth_of_the_practice() -> None:
    """By hand: under a density that rises linearly from 1 to 2.5, 39% come in the first half (0.6875 of 1.75)."""
    patients = draw_patients(DRAWS, 4, MODEL)
    opened = np.array([site.opened_on.toordinal() for site in SITE_LIST]) - 719163
    middle = (opened[patients.site] + patients.end) / 2
    assert MODEL.growth == 1.5
    assert (patients.started < middle).mean() == pytest.approx(0.6875 / 1.75, abs=four_errors(0.39) + 0.001)
