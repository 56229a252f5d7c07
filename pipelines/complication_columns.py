"""The columns of the steps that fold sessions to counts: those of the items, classes of kinds and windows asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ._queries import step_text
from .complication_code import BARRED, CODE_TEXTS, REASONS, Code
from .complication_kinds import ANY, ITEMS, RECORDS, ComplicationMeasure, class_of
from .complication_request import PATIENT, ComplicationRequest
from .groups import group_columns, shared_texts


def told(number: int, alias: str | None = None) -> str:
    """The column that holds what a window tells."""
    return f"{alias}.told_{number}" if alias else f"told_{number}"


def counted_bits(number: int) -> str:
    """The column that holds the classes of kinds in which a patient is counted, a bit each."""
    return f"counted_{number}"


def complication_columns(request: ComplicationRequest, windows: int) -> dict[str, str]:
    """The columns of the items, classes and windows asked for, as text."""
    columns, code, numbers = group_columns(request.fields), request.code, range(windows)
    per_patient = request.per == PATIENT
    return {
        **shared_texts(request.fields, request.chosen),
        **CODE_TEXTS,
        **_contact_texts(request, numbers),
        "barred_codes": " ".join(f"when '{reason}' then {REASONS[reason]}" for reason in BARRED),
        "item_record_columns": " ".join(_item_record(kind) for kind in request.kinds if kind in ITEMS),
        "why_columns": " ".join(_why_columns(number) for number in numbers),
        "told_columns": ", ".join(f"{_told(request, number)} as {told(number)}" for number in numbers),
        "patient_told_columns": ", ".join(f"{_patient_told(code, number)} as {told(number)}" for number in numbers),
        "windows": ", ".join(
            f"{{window_no: {number}, told: {told(number, 'j')}, ever: $ever_{number}, last_day: $last_day_{number}}}"
            for number in numbers
        ),
        "within": _within("first_onset", "undated", "ever", "last_day"),
        "reason_of_kind": code.reason_of_kind("told"),
        "patient_reason_of_kind": code.reason_of_kind(_told_of_window(numbers), "e.kind"),
        "reason_of_patient_event": code.reason_of_kind(_told_of_window(numbers), "e.kind"),
        "meanings": " ".join(
            [
                *(f"{code.reason(name, 'told')} as reason_{name}," for name in code.classes),
                *(f"{code.happened(measure, 'told')} as happened_{measure.name}," for measure in code.measures),
            ]
        ),
        "person_columns": ", ".join(
            [*columns, *(f"bit_or({_counted(code, number)}) as {counted_bits(number)}" for number in numbers)]
        ),
        "pair_columns": ", ".join(f"{told(n, 'a')}, {told(n, 'b')} as other_{n}" for n in numbers),
        "pair_sums": ", ".join(_pair_sums(code)),
        "judged": "complication_patient_judged" if per_patient else "complication_judged",
        "record_event": "complication_patient_record_event" if per_patient else "complication_record_event",
        "a_groups": " ".join(f"a.{column}," for column in columns),
        "e_groups": " ".join(f"e.{column}," for column in columns),
        "j_groups": " ".join(f"j.{column}," for column in columns),
        "and_same_group_of_pair": " ".join(f"and b.{column} = a.{column}" for column in columns),
        "and_same_group_of_patient": " ".join(f"and p.{column} = e.{column}" for column in columns),
    }


@dataclass(frozen=True)
class _Bits:
    """What a day of contact tells, a bit each. answered: by kind, before a contact that leaves it open turns it round.

    told, found: by measure, of the time since the last contact, or of the day itself. before_next: not after the next
    session.
    """

    predicates: tuple[str, ...]
    answered: Mapping[str, int]
    told: Mapping[ComplicationMeasure, int]
    found: Mapping[ComplicationMeasure, int]
    before_next: int


_DAY_FROM = 32
"""The bit from which the day stands in a closing contact."""


def _bits(request: ComplicationRequest) -> _Bits:
    predicates: list[str] = []

    def bit(predicate: str) -> int:
        predicates.append(predicate)
        return 1 << (len(predicates) - 1)

    answered = {kind: bit(ITEMS[kind].answered) for kind in request.kinds if kind in ITEMS}
    answers = {measure: ITEMS[measure.kind].by_severity[measure.severity] for measure in request.item_measures}
    told_by = {measure: bit(answer.positive) for measure, answer in answers.items()}
    found_by = {measure: bit(answer.seen) for measure, answer in answers.items()}
    before_next = bit("coalesce(v.visited_on - s.start_on <= s.next_day, true)")
    return _Bits(tuple(predicates), answered, told_by, found_by, before_next)


def _contact_texts(request: ComplicationRequest, numbers: Sequence[int]) -> dict[str, str]:
    """What contacts tell, as bits: of a day, before the end of a window, and at the contact that closes it."""
    bits = _bits(request)
    columns = []
    for number in numbers:
        in_time = f"if($ever_{number}, tells & {bits.before_next} > 0, day < $last_day_{number})"
        closes = f"day between $closes_from_{number} and $closes_by_{number}"
        columns.append(f"bit_or(tells) filter ({in_time}) as before_{number},")
        columns.append(f"min((day::bigint << {_DAY_FROM}) | tells) filter ({closes}) as closing_{number},")
    return {
        "contact_answers": " | ".join(
            f"if({predicate}, {1 << place}, 0)::integer" for place, predicate in enumerate(bits.predicates)
        ),
        "answered_bits": str(sum(bits.answered.values())),
        "contact_columns": " ".join(columns),
    }


def _closing_day(number: int) -> str:
    return f"(closing_{number} >> {_DAY_FROM})"


def _item_record(kind: str) -> str:
    """What records say of a kind with an item, as columns."""
    of_kind = f"filter (kind = '{kind}')"
    return (
        f"min(first_onset) {of_kind} as {kind}_first_onset, max(last_onset) {of_kind} as {kind}_last_onset, "
        f"bool_or(undated) {of_kind} as {kind}_undated,"
    )


def _why_columns(number: int) -> str:
    """Why a session is not counted in a window: where contacts answer throughout, and where they do not."""
    due, closes_from = f"$due_{number}", f"$closes_from_{number}"
    closing, reaches = _closing_day(number), f"if($ever_{number}, {_closing_day(number)}, $last_day_{number})"
    columns = []
    for name, assessed, closing_day, reach in (
        ("assessed", "true", closing, reaches),
        ("missing", "false", closing, reaches),
        # kinds known from records: any contact on or after the window's end closes it
        ("assessed_records", "true", closes_from, closes_from),
        ("missing_records", "false", "null::integer", closes_from),
    ):
        parts = {"assessed": assessed, "closing_day": closing_day, "reaches": reach}
        why = step_text("why_not_counted", {**CODE_TEXTS, **parts, "due": due, "closes_from": closes_from})
        columns.append(f"{why} as {name}_{number},")
    return " ".join(columns)


def _told(request: ComplicationRequest, number: int) -> str:
    """What a window tells of a session, as one number."""
    bits = _bits(request)
    reasons = [_why(bits, name, number) for name in request.classes]
    return request.code.packed(reasons, [_happened(bits, measure, number) for measure in request.item_measures])


def _why(bits: _Bits, name: str, number: int) -> str:
    if name == RECORDS:
        reached = f"coalesce(reached_day >= $closes_from_{number}, false)"
        return f"if({reached}, assessed_records_{number}, missing_records_{number})"
    # no contact from the session to the closing one leaves the item open
    chain = f"(if($ever_{number}, 0, coalesce(before_{number}, 0)) | closing_{number})"
    assessed = f"coalesce({chain} & {bits.answered[name]} = 0, false)"
    return f"if({assessed}, assessed_{number}, missing_{number})"


def _happened(bits: _Bits, measure: ComplicationMeasure, number: int) -> str:
    """What happened in a window, by an item and the records of its kind (of any severity alone)."""
    recorded = measure.severity == ANY
    kind, last_day, ever = measure.kind, f"$last_day_{number}", f"$ever_{number}"
    first, last, undated = f"{kind}_first_onset", f"{kind}_last_onset", f"{kind}_undated"
    parts = {
        **CODE_TEXTS,
        "ever": ever,
        "last_day": last_day,
        "told": str(bits.told[measure]),
        "found": str(bits.found[measure]),
        "before": f"before_{number}",
        "closing": f"closing_{number}",
        "closing_day": _closing_day(number),
        "within": _within(first, undated, ever, last_day) if recorded else "false",
        "later": f"({last} > {last_day})" if recorded else "false",
        "undated": undated if recorded else "false",
    }
    return step_text("complication_what_happened", parts)


def _within(first_onset: str, undated: str, ever: str, last_day: str) -> str:
    """SQL: does a record place an onset in the window? With no end: in what is observed."""
    first = f"least({first_onset}, if({undated}, 0, null))"
    return f"if({ever}, {first} <= coalesce(observed_day, {last_day}), {first_onset} <= {last_day})"


def _patient_told(code: Code, number: int) -> str:
    """What a window tells of a patient, from all sessions."""
    column, not_due = told(number), REASONS["not_due"]
    reasons = []
    for name in code.classes:
        reason = code.reason(name, column)
        others = f"min({reason}) filter ({reason} not in (0, {not_due}))"
        reasons.append(f"if(bool_and({reason} = {not_due}), {not_due}, coalesce({others}, 0))")
    happened = []
    for measure in code.measures:
        reason, what = code.reason(class_of(measure.kind), column), code.happened(measure, column)
        of_due = f"min({what}) filter ({what} > 0 and {reason} <> {not_due})"
        of_all = f"min({what}) filter ({what} > 0)"
        happened.append(f"coalesce(if(bool_and({reason} = {not_due}), {of_all}, {of_due}), 0)")
    return code.packed(reasons, happened)


def _told_of_window(numbers: Sequence[int]) -> str:
    return f"([{', '.join(told(number, 'p') for number in numbers)}])[e.window_no + 1]"


def _counted(code: Code, number: int) -> str:
    """The classes in which a session is counted, as bits."""
    return " | ".join(
        f"if({code.is_counted(name, told(number))}, {2**place}, 0)" for place, name in enumerate(code.classes)
    )


def _pair_sums(code: Code) -> list[str]:
    """Sums over pairs of sessions of a patient: see `complication_pair_sum`."""
    sums = {
        f"both_{name}": _both(code.is_counted(name, "told"), code.is_counted(name, "other")) for name in code.classes
    }
    for measure in code.measures:
        events = [code.has_event(measure, column) for column in ("told", "other")]
        counted = [code.is_counted(class_of(measure.kind), column) for column in ("told", "other")]
        sums[f"events_{measure.name}"] = _both(*events)
        sums[f"mixed_{measure.name}"] = f"{_both(events[0], counted[1])} + {_both(events[1], counted[0])}"
    return [f"coalesce(sum({part}), 0)::bigint as {name}" for name, part in sums.items()]


def _both(first: str, second: str) -> str:
    return f"if({first} and {second}, n, 0)"
