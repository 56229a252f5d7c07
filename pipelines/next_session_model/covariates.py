"""The covariates of the model of time to the next session, as they stood when the spell began."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from registry.definition import codes

Kind = Literal["curve", "number", "levels"]

NO_PATTERN, UNKNOWN = "none", "unknown"
_ROMAN = ("I", "II", "III", "IV", "V", "VI", "VII")


@dataclass(frozen=True)
class Covariate:
    """One covariate. name: of its field; a pooled group of levels is named with `+` between them.

    kind: curve (a smooth curve), number (a straight line, per `unit`), or levels.
    levels: in order. reference: compared against; None for the commonest. families: levels that may be pooled with
    their neighbour; those of other families never are, only with all that is small.
    """

    name: str
    kind: Kind
    unit: float = 1.0
    levels: tuple[str, ...] = ()
    reference: str | None = None
    families: tuple[tuple[str, ...], ...] = ()


_NORWOOD = tuple(f"norwood_hamilton {stage}" for stage in _ROMAN)
_LUDWIG = tuple(f"ludwig {stage}" for stage in codes.LUDWIG_STAGES)


def _known(field_codes: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(code for code in field_codes if code != UNKNOWN)


COVARIATES: tuple[Covariate, ...] = (
    Covariate("age_at_first_surgery_years", "curve"),
    Covariate("sex", "levels", levels=_known(codes.SEX.names)),
    Covariate("pattern_stage", "levels", levels=(*_NORWOOD, *_LUDWIG, NO_PATTERN), families=(_NORWOOD, _LUDWIG)),
    Covariate("family_history", "levels", levels=_known(codes.FAMILY_HISTORY.names), reference="none"),
    Covariate("medical_therapy", "levels", levels=("none", "any", UNKNOWN), reference="none"),
    Covariate("hair_calibre_um", "number", unit=10.0),
    Covariate("hair_curl", "levels", levels=codes.HAIR_CURL.names),
    Covariate("further_sessions_planned", "levels", levels=("no", "yes"), reference="no"),
)
"""Medical therapy marks who was treated, not what a drug does. A session planned from the start is a covariate, so
that a planned stage is not read as thinning."""
