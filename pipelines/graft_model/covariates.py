"""What the yield of a marked area may depend on."""

from __future__ import annotations

from registry.definition import codes
from registry.settings import Settings

from ..next_session_model.covariates import UNKNOWN, Covariate

DENSITY = "placed_density"
SITE = "site_code"
"""Sites enter as columns of their own and are never shown: a table of sites would be read as a ranking."""


def covariates(settings: Settings) -> tuple[Covariate, ...]:
    """The covariates in the order to show them; the site, not shown, for what differs between ways of working."""
    return (
        Covariate(DENSITY, "curve", unit=5.0),
        Covariate("out_of_body_minutes", "curve", unit=60.0),
        Covariate("grafts_total", "curve", unit=500.0),
        Covariate("transection_percent", "number", unit=5.0),
        Covariate("zone", "levels", levels=codes.SCALP_ZONES),
        Covariate("technique", "levels", levels=codes.TECHNIQUE.names),
        Covariate("holding_solution", "levels", levels=codes.HOLDING_SOLUTION.names),
        Covariate("hair_calibre_um", "number", unit=10.0),
        Covariate("hair_curl", "levels", levels=codes.HAIR_CURL.names),
        Covariate(
            "smoking",
            "levels",
            levels=tuple(name for name in codes.SMOKING.names if name != UNKNOWN),
            reference="never",
        ),
        Covariate("method", "levels", levels=codes.COUNT_METHOD.names),
        Covariate(SITE, "levels", levels=settings.sites),
    )
