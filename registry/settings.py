"""The registry's settings: one commented TOML file, checked as it is read."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from .definition import ELSEWHERE
from .definition._field import SETTINGS_CODE_PATTERN
from .durations import parse_time
from .errors import Fault, GraftledgerError, nearest
from .milestones import MATURE_COUNT_FROM, MATURE_COUNT_TO, parse_mature_window

SETTINGS_FILE = "settings.toml"
MAPPINGS = "mappings"
"""Folder of a registry with the mappings of its sites, `<SITE>.toml` each."""
DEFAULT_AGE_EDGES = (25, 35, 45, 55)


@dataclass(frozen=True)
class Benchmark:
    """A share that the practice holds its own figure against, and where it comes from."""

    share: float
    source: str


@dataclass(frozen=True)
class Target:
    """A share that the practice wants to stay below, or to reach, and where it comes from.

    at_days: the time that it is meant for, of a measure told at several; None for every one.
    """

    share: float
    is_ceiling: bool
    source: str
    at_days: int | None = None


@dataclass(frozen=True)
class Settings:
    """What the practice decides.

    practice: name printed on reports.
    sites, surgeons: the codes that records may use.
    floor_at_risk, floor_denominator: a figure that rests on fewer is greyed out.
    age_edges: first ages of the bands of age at first surgery after the youngest, ascending.
    mature_window: first and last day after surgery of a graft count that judges the result.
    benchmarks, targets: by measure name.
    audit_leaves_out: sections of the audit that the practice does not want.
    digest: hash of the file's content, which reports print beside their figures.
    """

    practice: str
    sites: tuple[str, ...]
    surgeons: tuple[str, ...]
    floor_at_risk: int = 10
    floor_denominator: int = 10
    age_edges: tuple[int, ...] = DEFAULT_AGE_EDGES
    mature_window: tuple[int, int] = (MATURE_COUNT_FROM, MATURE_COUNT_TO)
    benchmarks: Mapping[str, Benchmark] = field(default_factory=dict)
    targets: Mapping[str, Target] = field(default_factory=dict)
    audit_leaves_out: tuple[str, ...] = ()
    digest: str = ""

    @property
    def age_bands(self) -> tuple[str, ...]:
        """Names of the age bands, youngest first, such as `under 25` and `25-34`."""
        edges = self.age_edges
        middle = [f"{low}-{high - 1}" for low, high in itertools.pairwise(edges)]
        return (f"under {edges[0]}", *middle, f"{edges[-1]}+")


_TEMPLATE = """\
# Settings of this registry. Every command reads and checks them.

# Name printed on reports.
practice = {practice}

# Codes that records may use. A record with another code is held back.
# Names of sites and surgeons belong elsewhere: codes are all the registry needs.
sites = [{sites}]
surgeons = [{surgeons}]

[floors]
# A figure at a time with fewer people still followed is greyed out.
at_risk = 10
# A share out of fewer cases is greyed out.
denominator = 10

[bands]
# First ages of the bands of age at first surgery after the youngest:
# under 25, 25-34, 35-44, 45-54, 55 and over.
age_at_first_surgery_years = [25, 35, 45, 55]

[graft_counts]
# When a count judges what has grown: from the first to the last time after surgery, never before month 2.
mature = "10m-18m"

# A share that the practice holds its own figure against, and where it comes from. The audit prints it
# beside the figure; it judges nothing. For example:
# [benchmarks.severe_swelling]
# share = 0.02
# source = "agreed at the practice's meeting of January 2026"

# What the practice wants of a share: at_most or at_least, and where that comes from. The audit marks a share whose
# whole interval lies on the wrong side. A measure told at several times takes at = "6m" or the like. For example:
# [targets.infection]
# at_most = 0.02
# source = "agreed at the practice's meeting of January 2026"

# Sections of the audit that are not wanted, by their names in its address line, such as numbness:
# [audit]
# leave_out = ["numbness"]
"""


def _toml_string(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def settings_text(practice: str, sites: Sequence[str], surgeons: Sequence[str]) -> str:
    """The content of a new settings file."""
    return _TEMPLATE.format(
        practice=_toml_string(practice),
        sites=", ".join(_toml_string(code) for code in sites),
        surgeons=", ".join(_toml_string(code) for code in surgeons),
    )


def load_settings(path: Path, known_measures: Sequence[str] = ()) -> Settings:
    """Read and check a settings file.

    known_measures: names that a benchmark may stand for; empty accepts any.

    Raises: GraftledgerError, naming every key at fault, where the file is missing, is no TOML or has a key that
    is unknown or out of range.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise GraftledgerError(
            Fault(
                "the settings file is missing.",
                path.name,
                mend="Restore it, or make a new registry with start.",
            )
        ) from None
    except OSError as error:
        why = (error.strerror or "error").lower()
        raise GraftledgerError(
            Fault(f"the settings file cannot be read ({why}).", path.name, mend="Check its permissions.")
        ) from None
    try:
        data = tomllib.loads(content.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise GraftledgerError(Fault(f"this is not a TOML file: {error}.", path.name)) from None
    return parse_settings(data, path.name, sha256(content).hexdigest()[:16], known_measures)


def parse_settings(
    data: Mapping[str, Any], file_name: str, digest: str = "", known_measures: Sequence[str] = ()
) -> Settings:
    """Check the content of a settings file. Raises GraftledgerError as `load_settings`."""
    faults: list[Fault] = []

    def fault(key: str, what: str) -> None:
        faults.append(Fault(what, file_name, field=key))

    def unknown_keys(table: Mapping[str, Any], known: Sequence[str], prefix: str = "") -> None:
        for key in table:
            if key not in known:
                fault(prefix + key, f"unknown key. {nearest(key, list(known))}")

    def subtable(key: str) -> Mapping[str, Any]:
        value = data.get(key, {})
        if not isinstance(value, dict):
            fault(key, f"must be a table, written [{key}].")
            return {}
        return value

    def codes_list(key: str) -> tuple[str, ...]:
        value = data.get(key)
        if not isinstance(value, list) or not value:
            fault(key, 'must list at least one code, such as ["A", "B"].')
            return ()
        for code in value:
            if not isinstance(code, str) or not re.fullmatch(SETTINGS_CODE_PATTERN, code):
                fault(key, "a code is a letter followed by up to 23 letters, digits, '-' or '_'.")
            elif code == ELSEWHERE:
                fault(key, f"'{ELSEWHERE}' is kept for sessions outside the practice.")
        texts = [code for code in value if isinstance(code, str)]
        if len(set(texts)) != len(texts):
            fault(key, "a code stands twice.")
        return tuple(texts)

    def whole(table: Mapping[str, Any], prefix: str, key: str, default: int, low: int, high: int) -> int:
        value = table.get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            fault(f"{prefix}.{key}", f"must be a whole number from {low} to {high}.")
            return default
        return value

    tables = ["floors", "bands", "graft_counts", "benchmarks", "targets", "audit"]
    unknown_keys(data, ["practice", "sites", "surgeons", *tables])
    practice = data.get("practice", "")
    if not isinstance(practice, str) or not practice.strip():
        fault("practice", "must be a name in quotes.")
        practice = ""
    sites, surgeons = codes_list("sites"), codes_list("surgeons")

    floors = subtable("floors")
    unknown_keys(floors, ["at_risk", "denominator"], "floors.")
    floor_at_risk = whole(floors, "floors", "at_risk", 10, 2, 1000)
    floor_denominator = whole(floors, "floors", "denominator", 10, 2, 1000)

    bands = subtable("bands")
    unknown_keys(bands, ["age_at_first_surgery_years"], "bands.")
    edges = bands.get("age_at_first_surgery_years", list(DEFAULT_AGE_EDGES))
    if (
        not isinstance(edges, list)
        or not 1 <= len(edges) <= 12
        or any(not isinstance(edge, int) or isinstance(edge, bool) or not 17 <= edge <= 90 for edge in edges)
        or any(low >= high for low, high in itertools.pairwise(edges))
    ):
        fault("bands.age_at_first_surgery_years", "must list 1 to 12 whole ages from 17 to 90, ascending.")
        edges = list(DEFAULT_AGE_EDGES)

    counts = subtable("graft_counts")
    unknown_keys(counts, ["mature"], "graft_counts.")
    mature_window = (MATURE_COUNT_FROM, MATURE_COUNT_TO)
    if "mature" in counts:
        try:
            mature_window = parse_mature_window(str(counts["mature"]))
        except GraftledgerError as problem:
            fault("graft_counts.mature", str(problem))

    benchmarks: dict[str, Benchmark] = {}
    for measure, entry in subtable("benchmarks").items():
        key = f"benchmarks.{measure}"
        if known_measures and measure not in known_measures:
            fault(key, f"unknown measure. {nearest(measure, list(known_measures))}")
            continue
        if not isinstance(entry, dict):
            fault(key, f"must be a table, written [{key}].")
            continue
        unknown_keys(entry, ["share", "source"], f"{key}.")
        share, source = entry.get("share"), entry.get("source")
        if not isinstance(share, int | float) or isinstance(share, bool) or not 0 <= share <= 1:
            fault(f"{key}.share", "must be a number from 0 to 1.")
        elif not isinstance(source, str) or not source.strip():
            fault(f"{key}.source", "must say where the share comes from.")
        else:
            benchmarks[measure] = Benchmark(float(share), source)

    targets: dict[str, Target] = {}
    for measure, entry in subtable("targets").items():
        key = f"targets.{measure}"
        if known_measures and measure not in known_measures:
            fault(key, f"unknown measure. {nearest(measure, list(known_measures))}")
        elif not isinstance(entry, dict):
            fault(key, f"must be a table, written [{key}].")
        else:
            unknown_keys(entry, ["at_most", "at_least", "source", "at"], f"{key}.")
            found = _target(entry, key, fault)
            if found is not None:
                targets[measure] = found

    audit = subtable("audit")
    unknown_keys(audit, ["leave_out"], "audit.")
    leave_out = audit.get("leave_out", [])
    if not isinstance(leave_out, list) or not all(isinstance(name, str) for name in leave_out):
        fault("audit.leave_out", 'must list names of sections, such as ["numbness"].')
        leave_out = []

    if faults:
        raise GraftledgerError(*faults)
    return Settings(
        practice=practice,
        sites=sites,
        surgeons=surgeons,
        floor_at_risk=floor_at_risk,
        floor_denominator=floor_denominator,
        age_edges=tuple(edges),
        mature_window=mature_window,
        benchmarks=benchmarks,
        targets=targets,
        audit_leaves_out=tuple(leave_out),
        digest=digest,
    )


def _target(entry: Mapping[str, Any], key: str, fault: Callable[[str, str], None]) -> Target | None:
    """One target; None where something about it is at fault."""
    sides = [side for side in ("at_most", "at_least") if side in entry]
    if len(sides) != 1:
        fault(key, "must say at_most or at_least, one of the two.")
        return None
    (side,) = sides
    share, source, at = entry[side], entry.get("source"), entry.get("at")
    if not isinstance(share, int | float) or isinstance(share, bool) or not 0 <= share <= 1:
        fault(f"{key}.{side}", "must be a number from 0 to 1.")
        return None
    if not isinstance(source, str) or not source.strip():
        fault(f"{key}.source", "must say where the target comes from.")
        return None
    at_days = None
    if at is not None:
        try:
            at_days = parse_time(str(at))
        except GraftledgerError as refusal:
            fault(f"{key}.at", str(refusal))
            return None
    return Target(float(share), side == "at_most", source, at_days)
