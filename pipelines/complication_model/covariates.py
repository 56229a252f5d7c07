"""The covariates of the models of what follows a session."""

from __future__ import annotations

from registry.definition import codes

from ..next_session_model.covariates import UNKNOWN, Covariate

SITE = "site_code"
"""Sites enter as columns of their own and are never shown: a table of sites would be read as a ranking."""
HARVEST, DENSITY = "harvest", "placed_density"
STRIP_PLAIN, STRIP_TRICHOPHYTIC, STRIP_UNKNOWN = "strip_plain", "strip_trichophytic", "strip_closure_unknown"
ZONES = {f"zone_{zone}": zone for zone in ("hairline", "mid_scalp", "vertex")}
"""Three that differ between sessions: most take in the frontal scalp, and the temples go with the hairline."""

_AGE = Covariate("age_at_first_surgery_years", "number", unit=10.0)
_SEX = Covariate("sex", "levels", levels=tuple(code for code in codes.SEX.names if code != UNKNOWN))
_SMOKING = Covariate(
    "smoking", "levels", levels=tuple(code for code in codes.SMOKING.names if code != UNKNOWN), reference="never"
)
_GRAFTS = Covariate("grafts_total", "number", unit=500.0)

COVARIATES: tuple[Covariate, ...] = (
    Covariate(
        HARVEST,
        "levels",
        levels=(STRIP_PLAIN, STRIP_TRICHOPHYTIC, STRIP_UNKNOWN, "follicular_unit_excision", "combined"),
    ),
    _GRAFTS,
    Covariate(DENSITY, "number", unit=10.0),
    *(Covariate(name, "levels", levels=("no", "yes"), reference="no") for name in ZONES),
    Covariate("duration_hours", "number"),
    Covariate("out_of_body_minutes", "number", unit=60.0),
    _AGE,
    _SEX,
    _SMOKING,
)
"""Of complications and of satisfaction. Numbers enter as straight lines: events are mostly too few for curves."""

SCAR_COVARIATES: tuple[Covariate, ...] = (
    Covariate(HARVEST, "levels", levels=(STRIP_PLAIN, STRIP_TRICHOPHYTIC, STRIP_UNKNOWN), reference=STRIP_PLAIN),
    _GRAFTS,
    _AGE,
    _SEX,
    _SMOKING,
)
"""Of the width of the scar of a strip: few, since few scars are measured."""

MILESTONE = "milestone"


def with_milestones(covariates: tuple[Covariate, ...], names: tuple[str, ...]) -> tuple[Covariate, ...]:
    """When the rating was given, in order and compared with the first, and the other covariates."""
    return (Covariate(MILESTONE, "levels", levels=names, reference=names[0]), *covariates)


def with_sites(covariates: tuple[Covariate, ...], sites: tuple[str, ...]) -> tuple[Covariate, ...]:
    """The covariates, and the sites of the practice."""
    return (*covariates, Covariate(SITE, "levels", levels=sites))
