"""What may be asked of complications and durations, and the figures that answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.errors import GraftledgerError, nearest
from registry.store import Registry

from ._setup import split_codes

if TYPE_CHECKING:
    from pipelines import Figure

    from ._figure_requests import Options

COMPLICATIONS, OVER_TIME = "complications", "complications-over-time"
CLAVIEN_DINDO, DURATION = "clavien-dindo", "duration"
PER = ("session", "patient")
LIMITS = ("wilson", "clopper-pearson")
CONTROL = ("p", "u", "g", "run")
_DEFAULT_WINDOW = "30d"

Answer = tuple[dict[str, Any], "tuple[Figure, ...]"]


def check_healing(analysis: str, options: Options) -> None:
    """Refuse what does not go together.

    Raises: GraftledgerError naming the option and where it goes.
    """
    for name, allowed in (("per", PER), ("limits", LIMITS), ("control", CONTROL)):
        given = getattr(options, name)
        if given and given not in allowed:
            raise GraftledgerError(f"--{name} is one of {', '.join(allowed)}. {nearest(given, list(allowed))}")
    if analysis == COMPLICATIONS and not (options.kind or options.window):
        for name in ("severity", "per", "limits", "sensitivity"):
            if getattr(options, name):
                raise GraftledgerError(f"--{name} goes with --kind or --window: say of what, such as --kind infection.")
    if options.sensitivity and analysis == COMPLICATIONS:
        if options.chart:
            raise GraftledgerError("--chart draws shares with their intervals: leave out --sensitivity.")
        for name in ("per", "limits"):
            if getattr(options, name) not in ("", "session", "wilson"):
                raise GraftledgerError(f"--sensitivity and --{name} do not go together. Ask one by one.")
    if analysis == OVER_TIME and not options.kind:
        raise GraftledgerError("Say which kind to follow, such as --kind infection.")
    if analysis == DURATION and not options.of:
        raise GraftledgerError("Say how long what lasts, such as --of numbness-donor.")


def complication_figures(registry: Registry, options: Options, shared: dict[str, Any]) -> Answer:
    """Incidence by kind, severity and window, or how far those missing could shift it."""
    from pipelines.complication_incidence import complication_incidence
    from pipelines.complication_kinds import DEFAULT_WINDOWS, checked_kinds, checked_severities, parse_window
    from pipelines.complication_sensitivity import complication_sensitivity

    kinds, severities = checked_kinds(split_codes(options.kind)), checked_severities(split_codes(options.severity))
    windows = tuple(parse_window(text) for text in split_codes(options.window)) or DEFAULT_WINDOWS
    asked = {
        **shared,
        "kinds": list(kinds),
        "severities": list(severities),
        "windows": [window.name for window in windows],
        "per": options.per or "session",
    }
    about: dict[str, Any] = {"kinds": kinds, "severities": severities, "windows": windows}
    if options.sensitivity:
        return asked | {"sensitivity": True}, complication_sensitivity(registry, **about, **shared)
    about |= {"per": asked["per"], "limits": (options.limits or "wilson").replace("-", "_")}
    return asked | {"limits": about["limits"]}, complication_incidence(registry, **about, **shared)


def over_time_figures(registry: Registry, options: Options, shared: dict[str, Any]) -> Answer:
    """A control chart a kind, as figures."""
    from pipelines.complication_kinds import checked_kinds, checked_severities, parse_window
    from pipelines.complications_over_time import complications_over_time

    if shared["by"]:
        raise GraftledgerError("A chart over time is split by nothing: choose the sessions instead, with --where.")
    severities, windows = checked_severities(split_codes(options.severity)), split_codes(options.window)
    if len(severities) > 1 or len(windows) > 1:
        raise GraftledgerError("A chart over time takes one --severity and one --window.")
    kinds = checked_kinds(split_codes(options.kind))
    window = parse_window(windows[0] if windows else _DEFAULT_WINDOW)
    arguments = {name: value for name, value in shared.items() if name != "by"}
    control = options.control or "p"
    series = complications_over_time(
        registry, kinds=kinds, severity=severities[0], window=window, chart=control, **arguments
    )
    asked = {
        **arguments,
        "kinds": list(kinds),
        "severity": severities[0],
        "window": window.name,
        "control": control,
        "charts": [
            {
                "measure": one.measure,
                "method": one.chart.method,
                "points": len(one.labels),
                "run_needed": one.chart.run_needed,
                "sigma_z": one.chart.sigma_z,
                "dispersion_p": one.chart.dispersion_p,
                "since_last": one.since_last,
                "signals": one.signals,
            }
            for one in series
        ],
    }
    return asked, tuple(figure for one in series for figure in one.figures)


def clavien_dindo_figures(registry: Registry, options: Options, shared: dict[str, Any]) -> Answer:
    """Complication records by grade."""
    from pipelines.clavien_dindo import clavien_dindo

    return shared, clavien_dindo(registry, **shared)


def duration_figures(registry: Registry, options: Options, shared: dict[str, Any]) -> Answer:
    """How long it lasts and, of groups, whether they differ."""
    from pipelines import Figure, compare_durations, duration_laws, durations
    from pipelines.groups import NOT_RECORDED
    from pipelines.measures import LOG_RANK_P

    figures = durations(registry, of=options.of, **shared)
    if shared["by"]:
        test = compare_durations(
            registry, of=options.of, **{name: value for name, value in shared.items() if name != "at_days"}
        )
        counted = {tuple(figure.group.items()): figure.n for figure in figures}
        n = sum(n for group, n in counted.items() if NOT_RECORDED not in dict(group).values())
        method = "interval_log_rank"
        figures += (Figure(LOG_RANK_P, n, "sessions", method, estimate=test.p_value, events=round(sum(test.observed))),)
    if options.laws:
        figures += duration_laws(registry, of=options.of, **shared)
    return shared | {"of": options.of} | ({"laws": True} if options.laws else {}), figures


ANSWERS = {
    COMPLICATIONS: complication_figures,
    OVER_TIME: over_time_figures,
    CLAVIEN_DINDO: clavien_dindo_figures,
    DURATION: duration_figures,
}
"""The analyses of complications and durations."""
