"""Complication records by Clavien-Dindo grade, per thousand sessions."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from registry.definition.codes import CLAVIEN_DINDO
from registry.store import Registry

from .complication_columns import told
from .complication_counts import ClassCounts, class_counts
from .complication_kinds import RECORDS, Window
from .complication_request import ComplicationRequest
from .complication_steps import judged_sessions
from .estimators import RatioSums, clustered_ratio, zero_event_upper
from .figure import NOT_COUNTED_REASONS, Figure
from .groups import EVERYBODY, NOT_RECORDED, Chosen, all_groups, chosen_fields, group_columns
from .measures import CLAVIEN_DINDO_OUTSIDE, CLAVIEN_DINDO_RECORDS

GRADES = (*CLAVIEN_DINDO.names, NOT_RECORDED)
PER = 1000


def clavien_dindo(
    registry: Registry,
    *,
    by: Sequence[str] = (),
    chosen: Chosen = EVERYBODY,
    as_of: date | None = None,
    level: float = 0.95,
) -> tuple[Figure, ...]:
    """Complication records of each grade, per 1,000 sessions with a contact after them; those without a grade too.

    Estimator: records / sessions x 1,000, patients as clusters (`clustered_ratio`); no record of a grade: the one-sided
    bound with one trial a patient. Records count, not sessions: one session may have several.
    Denominator: sessions with a contact after them, as for kinds known from records "ever"; followed for different
    times. Records of other sessions are told apart (`_outside`) and not divided.
    Misleads: the grades were made for general surgery, where most of what happens here is grade I or not graded; and a
    practice that records more looks worse. Between surgeons or sites: no verdict.
    Arguments: as `complications`. Returns figures by group, then grade (`grade` in the group), mildest first, not
    recorded last; estimate, lower and upper per 1,000 sessions, n sessions, events records. Then, by group, the
    records outside. Raises: GraftledgerError for an unknown field.
    Source: Dindo, Demartines & Clavien 2004, Ann Surg 240:205-213 (grades); see `clustered_ratio`.
    """
    fields = chosen_fields(by, registry.settings)
    # which kind is asked for does not matter: grades are counted over all
    request = ComplicationRequest(registry, fields, chosen, ("other",), as_of=as_of)
    with judged_sessions(request, [Window(None)]) as judged:
        counts = class_counts(judged)
        reason = request.code.reason(RECORDS, told(0, "j"))
        table = judged.rows("clavien_dindo", {"reason": reason})
    columns = group_columns(fields)
    found = {(tuple(row[name] for name in columns), row["grade"]): row for row in table.iter_rows(named=True)}
    figures: list[Figure] = []
    outside: list[Figure] = []
    for group in all_groups(fields, counts, chosen):
        of = counts.get(group, {}).get(RECORDS, ClassCounts())
        named = dict(zip((field.name for field in fields), group, strict=True))
        nothing = {"records": 0, "outside": 0, "sum_yy": 0, "sum_xy": 0}
        by_grade = {grade: found.get((group, grade), nothing) for grade in GRADES}
        figures += [_figure(registry, of, {**named, "grade": grade}, row, level) for grade, row in by_grade.items()]
        beyond = sum(row["outside"] for row in by_grade.values())
        if beyond:
            outside.append(
                Figure(CLAVIEN_DINDO_OUTSIDE, sum(of.reasons.values()), "sessions", "count", group=named, events=beyond)
            )
    return (*figures, *outside)


def _figure(registry: Registry, of: ClassCounts, group: dict[str, str], row: dict[str, int], level: float) -> Figure:
    estimate = lower = upper = None
    method = "clustered_ratio"
    if of.n and row["records"]:
        sums = RatioSums(of.patients, row["records"], of.n, row["sum_yy"], row["sum_xy"], of.sum_xx)
        ratio = clustered_ratio(sums, level)
        estimate, lower, upper = ratio.estimate, ratio.lower, ratio.upper
    elif of.n:
        estimate, lower, upper, method = 0.0, 0.0, zero_event_upper(of.patients, level), "zero_event_upper"
    return Figure(
        CLAVIEN_DINDO_RECORDS,
        of.n,
        "sessions",
        method,
        group=group,
        estimate=None if estimate is None else PER * estimate,
        lower=None if lower is None else PER * lower,
        upper=None if upper is None else PER * upper,
        level=level,
        n_clusters=of.patients,
        events=row["records"],
        window="ever",
        not_counted={reason: of.reasons[reason] for reason in NOT_COUNTED_REASONS if reason in of.reasons},
        flags=("too_few",) if of.n < registry.settings.floor_denominator else (),
    )
