"""The mistakes that are planted on request: what is changed, and the check that should find it.

Expressions read the text of a file's columns, and of the row's session `:performed_on`, `:grafts_total`. A mistake
is planted only where its row would otherwise be sound and where it certainly breaks its check.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from registry.definition import ELSEWHERE, record_type, row_checks, unknown_parent_check

PERFORMED_ON, GRAFTS_TOTAL = ":performed_on", ":grafts_total"


@dataclass(frozen=True)
class Mistake:
    """One kind of mistake.

    record, field: where. kind: in words. rule: name of the check it breaks. changes: new text by column.
    where: rows it can be planted in. repeats_previous: the new text is that of the row before in the file, which
    then breaks the check too.
    """

    record: str
    field: str
    kind: str
    rule: str
    changes: Mapping[str, pl.Expr]
    where: pl.Expr
    repeats_previous: bool = False


def _number(name: str) -> pl.Expr:
    return pl.col(name).cast(pl.Float64, strict=False)


def _whole(name: str) -> pl.Expr:
    return pl.col(name).cast(pl.Int64, strict=False)


def _day(name: str) -> pl.Expr:
    return pl.col(name).str.to_date(strict=False)


def _given(*names: str) -> pl.Expr:
    return pl.all_horizontal(pl.col(name).is_not_null() for name in names)


def _simple(
    record: str, field: str, kind: str, rule: str, value: pl.Expr | str | None, where: pl.Expr | None = None
) -> Mistake:
    """One field takes another text, where it is given and the condition holds."""
    changed = value if isinstance(value, pl.Expr) else pl.lit(value, dtype=pl.String)
    given = _given(field)
    return Mistake(
        record, field, kind, rule, {field: changed.cast(pl.String)}, given if where is None else given & where
    )


def _repeated_key(record: str) -> Mistake:
    key = record_type(record).key[0]
    return Mistake(
        record,
        key,
        "key of the row before used again",
        row_checks.DUPLICATE_KEY,
        {key: pl.col(key)},
        _given(key),
        repeats_previous=True,
    )


_NOT_ELSEWHERE = pl.col("surgeon_code") != ELSEWHERE
_NEXT_CENTURY = "wrong century typed: a day in the future"


def _in_next_century(field: str) -> pl.Expr:
    return pl.lit("21") + pl.col(field).str.slice(2)


MISTAKES: tuple[Mistake, ...] = (
    _simple(
        "patient",
        "hair_calibre_um",
        "unit: millimetres instead of micrometres",
        row_checks.OUT_OF_RANGE,
        (_number("hair_calibre_um") / 1000).round(4),
    ),
    _simple(
        "patient",
        "donor_density_fu_cm2",
        "hairs counted instead of follicular units",
        row_checks.OUT_OF_RANGE,
        (_number("donor_density_fu_cm2") * 2.2).round(),
        _number("donor_density_fu_cm2") >= 62,
    ),
    _simple(
        "patient",
        "donor_density_fu_cm2",
        "measured over too small a field",
        row_checks.UNLIKELY_VALUE,
        (_number("donor_density_fu_cm2") * 1.4).round(),
        _number("donor_density_fu_cm2").is_between(80, 92),
    ),
    _simple(
        "patient",
        "age_at_first_surgery_years",
        "year of birth instead of age",
        row_checks.OUT_OF_RANGE,
        _day("enrolled_on").dt.year() - _whole("age_at_first_surgery_years"),
    ),
    _simple("patient", "pattern_stage", "code mistyped", row_checks.UNKNOWN_CODE, "3V"),
    _simple("patient", "sex", "code of another system", row_checks.UNKNOWN_CODE, "M"),
    _simple("patient", "status_at_last_contact", "left empty", row_checks.MISSING_REQUIRED, None),
    _simple(
        "patient",
        "status_at_last_contact",
        "died without a date of death",
        "death_has_date_and_status",
        "died",
        pl.col("died_on").is_null(),
    ),
    Mistake(
        "patient",
        "last_contact_on",
        "two dates swapped",
        "last_contact_after_enrolment",
        {"last_contact_on": pl.col("enrolled_on"), "enrolled_on": pl.col("last_contact_on")},
        _day("last_contact_on") > _day("enrolled_on"),
    ),
    _simple(
        "patient",
        "enrolled_on",
        "date written with the day first",
        row_checks.WRONG_FORMAT,
        _day("enrolled_on").dt.strftime("%d/%m/%Y"),
    ),
    _simple(
        "patient",
        "enrolled_on",
        "30 February",
        row_checks.NO_SUCH_DATE,
        pl.col("enrolled_on").str.slice(0, 5) + pl.lit("02-30"),
    ),
    _simple(
        "patient",
        "medical_therapy",
        "none beside a therapy",
        "therapy_none_stands_alone",
        pl.col("medical_therapy") + pl.lit(";none"),
        ~pl.col("medical_therapy").is_in(["none", "unknown"]),
    ),
    _repeated_key("patient"),
    _simple("session", "performed_on", _NEXT_CENTURY, "session_not_in_future", _in_next_century("performed_on")),
    _simple("session", "technique", "left empty", "session_here_is_described", None, _NOT_ELSEWHERE),
    _simple("session", "technique", "code mistyped", row_checks.UNKNOWN_CODE, "follicular unit excision"),
    _simple(
        "session",
        "grafts_2_hair",
        "sum wrong",
        "graft_sizes_sum_to_total",
        _whole("grafts_2_hair") + 100,
    ),
    _simple(
        "session",
        "duration_hours",
        "unit: minutes instead of hours",
        row_checks.OUT_OF_RANGE,
        (_number("duration_hours") * 60).round(),
    ),
    _simple(
        "session",
        "recipient_area_cm2",
        "unit: square millimetres instead of square centimetres",
        row_checks.OUT_OF_RANGE,
        (_number("recipient_area_cm2") * 100).round(),
        _number("recipient_area_cm2") > 4.1,
    ),
    _simple("session", "surgeon_code", "code that the settings lack", row_checks.UNKNOWN_CODE, "S99", _NOT_ELSEWHERE),
    _simple("session", "session_number", "counted from 0", row_checks.OUT_OF_RANGE, "0"),
    _simple(
        "session",
        "patient_key",
        "patient that nobody sent",
        unknown_parent_check(record_type("session")),
        pl.col("patient_key").str.reverse(),
    ),
    Mistake(
        "session",
        "grafts_discarded",
        "two counts swapped",
        "discarded_within_harvested",
        {"grafts_discarded": pl.col("grafts_harvested"), "grafts_harvested": pl.col("grafts_discarded")},
        _given("grafts_discarded", "grafts_harvested") & (_whole("grafts_discarded") >= 1),
    ),
    Mistake(
        "session",
        "donor_closure",
        "strip closure without a strip",
        "closure_only_with_strip",
        {"donor_closure": pl.lit("plain")},
        pl.col("technique") == "follicular_unit_excision",
    ),
    _repeated_key("session"),
    _simple("visit", "visited_on", _NEXT_CENTURY, "visit_not_in_future", _in_next_century("visited_on")),
    _simple(
        "visit",
        "visited_on",
        "wrong year: before the session",
        "visit_not_before_session",
        _day("visited_on").dt.offset_by("-1y"),
        (_day("visited_on") - _day(PERFORMED_ON)).dt.total_days() < 360,
    ),
    _simple(
        "visit",
        "sutures_out_on",
        "later than the visit that reports it",
        "sutures_out_by_visit",
        _day("visited_on").dt.offset_by("10d"),
    ),
    _simple(
        "visit",
        "scar_width_mm",
        "unit: micrometres instead of millimetres",
        row_checks.OUT_OF_RANGE,
        (_number("scar_width_mm") * 1000).round(),
    ),
    _simple(
        "visit",
        "satisfaction",
        "percent instead of 0 to 10",
        row_checks.OUT_OF_RANGE,
        _whole("satisfaction") * 10,
        _whole("satisfaction") >= 2,
    ),
    _simple("visit", "numbness_donor", "code mistyped", row_checks.UNKNOWN_CODE, "numb"),
    _simple("visit", "folliculitis_since_last", "code of another system", row_checks.UNKNOWN_CODE, "N"),
    _simple("visit", "contact_mode", "left empty", row_checks.MISSING_REQUIRED, None),
    _simple("visit", "visit_key", "left empty", row_checks.MISSING_REQUIRED, None),  # a chart number stops the file
    _simple(
        "visit",
        "session_key",
        "session that nobody sent",
        unknown_parent_check(record_type("visit")),
        pl.col("session_key").str.reverse(),
    ),
    _repeated_key("visit"),
    Mistake(
        "complication",
        "onset_day",
        "two days swapped",
        "present_after_onset",
        {"onset_day": pl.col("last_present_day"), "last_present_day": pl.col("onset_day")},
        _whole("last_present_day") > _whole("onset_day"),
    ),
    _simple("complication", "kind", "code mistyped", row_checks.UNKNOWN_CODE, "foliculitis"),
    _simple("complication", "severity", "left empty", row_checks.MISSING_REQUIRED, None),
    _simple(
        "complication",
        "onset_day",
        "day typed twice",
        row_checks.OUT_OF_RANGE,
        (_whole("onset_day") + 10).cast(pl.String) + (_whole("onset_day") + 10).cast(pl.String) + pl.lit("0"),
    ),
    _simple(
        "graft_count",
        "area_cm2",
        "unit: square millimetres instead of square centimetres",
        row_checks.OUT_OF_RANGE,
        _number("area_cm2") * 100,
    ),
    _simple(
        "graft_count",
        "counted_on",
        "wrong year: before the session",
        "count_after_session",
        _day("counted_on").dt.offset_by("-3y"),
    ),
    _simple(
        "graft_count",
        "area_marked_on",
        "marked after the session",
        "area_marked_by_session",
        _day(PERFORMED_ON).dt.offset_by("30d"),
    ),
    Mistake(
        "graft_count",
        "growing_grafts",
        "nothing counted",
        "something_was_counted",
        {"growing_grafts": pl.lit(None, dtype=pl.String), "growing_hairs": pl.lit(None, dtype=pl.String)},
        _given("count_key"),
    ),
    _simple(
        "graft_count",
        "placed_grafts",
        "more than in the whole session",
        "placed_within_session",
        _whole(GRAFTS_TOTAL) + 50,
        _whole(GRAFTS_TOTAL) <= 1400,
    ),
    _simple("graft_count", "growing_grafts", "minus sign typed", row_checks.OUT_OF_RANGE, "-5"),
    _simple("graft_count", "method", "code mistyped", row_checks.UNKNOWN_CODE, "dermoscope"),
    _repeated_key("graft_count"),
)
