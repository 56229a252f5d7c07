"""The command that tells whether a question can be answered here, and when."""

from __future__ import annotations

import json
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import GraftledgerError
from registry.store import open_registry

from ._app import RegistryOption, command, note, say
from ._figure_requests import parse_where
from ._progress import progress_line

if TYPE_CHECKING:
    from pipelines.planning import Plan, Planning, RuleOut

TOO_LONG_YEARS = 10
_HORIZONS = (1, 2, 5)


class Format(StrEnum):
    """How a plan is printed."""

    TEXT = "text"
    JSON = "json"


@command("cases-needed")
def cases_needed(
    measure: Annotated[
        str, typer.Argument(metavar="MEASURE", help="Such as infection, numbness, graft_survival or next_session.")
    ],
    difference: Annotated[
        float | None,
        typer.Option("--difference", metavar="SHARE", help="Between two groups: 0.02 is two in a hundred more."),
    ] = None,
    hazard_ratio: Annotated[
        float | None, typer.Option("--hazard-ratio", metavar="RATIO", help="Between two groups, for next_session.")
    ] = None,
    rule_out: Annotated[
        float | None, typer.Option("--rule-out", metavar="SHARE", help="Show a complication rarer than this.")
    ] = None,
    at: Annotated[str, typer.Option("--at", metavar="TIME", help="When it is judged, such as 12m or 5y.")] = "",
    where: Annotated[
        list[str] | None, typer.Option("--where", metavar="FIELD=VALUE[,VALUE]", help="Of these sessions alone.")
    ] = None,
    split: Annotated[float, typer.Option("--split", metavar="SHARE", help="Part of the cases in one group.")] = 0.5,
    power: Annotated[float, typer.Option("--power", metavar="SHARE", help="Chance to find what is there.")] = 0.8,
    format_: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TEXT,
    registry: RegistryOption = Path("."),
) -> None:
    """Say how many cases, and years, a question asks for, by the registry's own rates, loss and clusters."""
    from pipelines import MEASURE_LABELS, figure_meta
    from pipelines.groups import choose
    from pipelines.planning import Planning, plan_difference, plan_hazard_ratio, plan_rule_out
    from registry.durations import parse_time

    if sum(value is not None for value in (difference, hazard_ratio, rule_out)) != 1:
        raise GraftledgerError("Ask one question: --difference, --hazard-ratio (next_session) or --rule-out.")
    if (hazard_ratio is not None) != (measure == "next_session"):
        raise GraftledgerError("next_session goes with --hazard-ratio, and nothing else does.")
    if not 0.5 < power < 1.0 or not 0.0 < split < 1.0:
        raise GraftledgerError("--power must be above 0.5 and below 1, --split above 0 and below 1.")
    planning = Planning(power=power, split=split)
    at_days = parse_time(at) if at else None
    plan: Plan | RuleOut
    with open_registry(registry, known_measures=tuple(MEASURE_LABELS)) as opened, progress_line() as progress:
        progress("Planning, and trying the plan out on made-up registries")
        chosen = choose(opened.settings, parse_where(where or []))
        shared: dict[str, Any] = {"at_days": at_days, "chosen": chosen}
        if difference is not None:
            plan = plan_difference(opened, measure, difference, planning, **shared)
        elif rule_out is not None:
            plan = plan_rule_out(opened, measure, rule_out, **shared)
        else:
            assert hazard_ratio is not None
            plan = plan_hazard_ratio(opened, hazard_ratio, planning, **shared)
        meta = figure_meta(opened, analysis="cases-needed", **({"chosen": chosen.as_dict()} if where else {}))
    if format_ is Format.JSON:
        content = {**asdict(plan), "base": plan.base.as_dict()}
        say(json.dumps({"meta": meta, "plan": content}, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in plan_lines(plan, planning, hazard_ratio):
            say(line)
    note(
        fill(
            "A plan, not a result: it takes today's rates, loss and pace as if they stayed. Two groups that patients "
            "or surgeons chose differ in more than what is compared; no number of cases mends that.",
            80,
        )
    )


def plan_lines(plan: Plan | RuleOut, planning: Planning, hazard_ratio: float | None = None) -> list[str]:
    """A plan in 80 columns."""
    from pipelines.planning import RuleOut

    words = _rule_out_words(plan) if isinstance(plan, RuleOut) else _plan_words(plan, planning, hazard_ratio)
    return [
        line
        for number, text in enumerate(words)
        for line in fill(text, 80, initial_indent="  " * bool(number), subsequent_indent="    ").splitlines()
    ]


def _plan_words(plan: Plan, planning: Planning, hazard_ratio: float | None) -> list[str]:
    from pipelines import MEASURE_LABELS
    from registry.durations import time_label

    from ..wording import percent, whole

    label, unit = MEASURE_LABELS[plan.base.measure], "sessions" if plan.base.n_unit == "sessions" else "patients"
    low, high = percent(plan.first), percent(plan.second)
    asked = f"a hazard ratio of {hazard_ratio:g}" if hazard_ratio else f"{low} against {high}"
    words = [f"{label}: can {asked} be told apart?", _now_words(plan.base)]
    if plan.events is not None and plan.base.at is not None:
        words.append(
            f"Needed: {whole(plan.events)} next sessions in both groups together. By {time_label(plan.base.at)} "
            f"{low} have one in the first group, {high} in the second: {whole(sum(plan.counted))} patients followed "
            "that long."
        )
    else:
        words.append(
            f"Needed: {whole(plan.counted[0])} and {whole(plan.counted[1])} {unit} with an answer, for a chance of "
            f"{percent(planning.power, 0)} to find it (two-sided test, 5%)."
        )
    if plan.design_effect > 1.005:
        words.append(
            f"That allows for patients with several sessions, which are alike (times {plan.design_effect:.2f}, if all "
            "of a patient's sessions are in one group)."
        )
    if plan.share_counted < 1.0:
        words.append(
            f"An answer is there for {percent(plan.share_counted)} of those who could have one, so begin with "
            f"{whole(sum(plan.entered))} {unit}."
        )
    so_far = _counted_so_far(plan)
    if plan.events is None and so_far >= sum(plan.counted):
        words.append(f"The {whole(so_far)} counted so far are enough, where they fall into two such groups.")
    else:
        words.append(_years_words(plan.years, plan.counted_a_year, unit))
    words.append(
        f"Tried out on made-up registries of that size: the difference was found in "
        f"{percent(plan.simulated_power, 0)} of them."
    )
    if hazard_ratio is None:
        words += _smallest_words(plan, planning)
    return words


def _counted_so_far(plan: Plan) -> int:
    return plan.base.n if plan.base.n_unit == "sessions" else plan.base.n_clusters or 0


def _smallest_words(plan: Plan, planning: Planning) -> list[str]:
    """What can be seen with the cases there are, and with those that the next years bring."""
    from pipelines.planning import smallest_difference

    from ..wording import counted

    cases = {"all cases so far": _counted_so_far(plan)}
    if plan.counted_a_year:
        cases |= {f"those of {counted(years, 'year')}": int(years * plan.counted_a_year) for years in _HORIZONS}
    sizes = {name: smallest_difference(plan, count, planning) for name, count in cases.items()}
    seen = [f"{name} {100 * size:.1f} points" for name, size in sizes.items() if size is not None]
    return [f"The smallest rise that cases would show: {', '.join(seen)}."] if seen else []


def _rule_out_words(plan: RuleOut) -> list[str]:
    from pipelines import MEASURE_LABELS

    from ..wording import percent, whole

    words = [
        f"{MEASURE_LABELS[plan.base.measure]}: can it be shown to be rarer than {percent(plan.limit)}?",
        _now_words(plan.base),
        f"Needed: {whole(plan.counted)} sessions without a single one (upper limit, 95%, one-sided).",
    ]
    if plan.chance is not None:
        words.append(
            f"If the share stays as it is now, the chance of seeing none in so many is {percent(plan.chance)}."
        )
    words.append(_years_words(plan.years, plan.counted_a_year, "sessions"))
    return words


def _now_words(base: Any) -> str:
    from ..wording import interval_words, percent, whole

    if base.estimate is None:
        return "Now: nothing to go by."
    return f"Now: {percent(base.estimate)} ({interval_words(base)}) of {whole(base.n)} {base.n_unit}."


def _years_words(years: float | None, counted_a_year: float | None, unit: str) -> str:
    from ..wording import whole

    if years is None or counted_a_year is None:
        return "How long that takes cannot be told: nothing was counted in the last years."
    words = f"At the pace of the last three years ({whole(counted_a_year)} {unit} a year): about {years:.1f} years."
    if years > TOO_LONG_YEARS:
        words += " That is longer than anybody should wait: ask for a larger difference, or pool with other practices."
    return words
