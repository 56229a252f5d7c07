"""What the suite measured: merged with what was measured before, and as Markdown tables."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
RESULTS, PAGE = ROOT / "docs" / "benchmarks.json", ROOT / "docs" / "benchmarks.md"
BEGIN, END = "<!-- suite: begin -->", "<!-- suite: end -->"
TOO_SHORT = 0.5
"""Seconds below which starting up outweighs the work, so that growth says nothing."""
BUSY = 0.25
"""Cores that other programs used on average, from which a part counts as measured on a busy machine. Our own choice."""
RECORDS, BARE, INTAKE = "make records (Parquet)", "bare DuckDB load, no check", "intake"
FILLED = "records put into the registry without intake"
BESIDE: Mapping[str, str | None] = {
    BARE: INTAKE,
    "Great Expectations alone, visits of one lot": INTAKE,
    "R survfit, a curve an age band, spells in memory": None,
    "lifelines, a curve an age band, spells in memory": None,
    "pandas, a curve an age band, from Parquet": "time to the next session here, by age band",
}
"""What others do, and the part of ours that is set beside it; None where it measured ours itself, in its process."""
NOT_OURS = (RECORDS, FILLED, *BESIDE)

Results = dict[str, Any]
"""By size: machine, python, versions; and parts by name, each with its own date and what else ran meanwhile."""


def load() -> Results:
    """What was measured before. Where date and load stood once a size, each part is given them."""
    found: Results = json.loads(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}
    for size in found.values():
        if "load" in size:
            load, day = float(size.pop("load").split("load of ")[1].split()[0]), size.pop("date")
            size["parts"] = {name: {"date": day, "others": load, **one} for name, one in size["parts"].items()}
    return found


def another_setting(found: Results, size: str, setting: Mapping[str, Any]) -> list[str]:
    """What differs between how a size was measured before and how it would be now: its parts could not be compared."""
    before = found.get(size)
    if before is None:
        return []
    versions = {name: number for name, number in before["versions"].items() if name in setting["versions"]}
    pairs = [(before[name], setting[name]) for name in ("machine", "python")]
    pairs += [(f"{name} {number}", f"{name} {setting['versions'][name]}") for name, number in versions.items()]
    return [f"{then}, now {now}" for then, now in pairs if then != now]


def merged(
    found: Results, size: str, setting: Mapping[str, Any], part: str, one: Mapping[str, Any], order: Sequence[str]
) -> Results:
    """The results with a part measured anew. The size's other parts stay, unless measured in another setting.

    order: the names of all parts; others, of an earlier suite, go.
    """
    before = {} if another_setting(found, size, setting) else found.get(size, {}).get("parts", {})
    parts = {**before, part: dict(one)}
    return {**found, size: {**setting, "parts": {name: parts[name] for name in order if name in parts}}}


def write(found: Results, order: Sequence[str]) -> None:
    RESULTS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    text = PAGE.read_text(encoding="utf-8")
    if BEGIN not in text:
        text = text.rstrip() + f"\n\n## All of it at growing sizes (`make bench`)\n\n{BEGIN}\n{END}\n"
    before, after = text.split(BEGIN)[0], text.split(END)[1]
    PAGE.write_text(f"{before}{BEGIN}\n{tables(found, order)}\n{END}{after}", encoding="utf-8")


def tables(found: Results, order: Sequence[str]) -> str:
    """The results as Markdown: how they were measured, a row a part, a row a comparison, a line a size."""
    if not found:
        return ""
    sizes = sorted(found, key=int)
    sums = [line for size in sizes for line in _sums(found, size)]
    return "\n".join([_about(found[sizes[-1]]), "", *table(found, order), "", *times_as_long(found), "", *sums])


def table(found: Results, order: Sequence[str]) -> Iterator[str]:
    """A row a part, and of each size seconds, processor seconds and peak memory."""
    sizes = sorted(found, key=int)
    head = ["part", *(f"{int(size):,} patients" for size in sizes)]
    if len(sizes) > 1:
        head.append(f"grows from {int(sizes[-2]):,} to {int(sizes[-1]):,} as n to the power")
    yield from _head(head)
    for part in order:
        cells = [_cell(found[size]["parts"].get(part)) for size in sizes]
        if len(sizes) > 1:
            power = exponent(found, part, sizes[-2], sizes[-1])
            cells.append("cannot be told" if power is None else f"{power:.2f}")
        yield _row([f"{part}{' (for comparison)' if part in NOT_OURS else ''}", *cells])


def times_as_long(found: Results) -> Iterator[str]:
    """What others took, as a multiple of what ours took in the same run."""
    sizes = sorted(found, key=int)
    yield "Times as long as ours in the same run, on the clock (by processor time):"
    yield ""
    yield from _head(["in place of ours", *(f"{int(size):,} patients" for size in sizes)])
    for other, ours in BESIDE.items():
        cells = [_ratio(found[size]["parts"], other, ours) for size in sizes]
        yield _row([f"{other}, beside {ours or 'our fold and curves of them'}", *cells])


def exponent(found: Results, part: str, smaller: str, larger: str) -> float | None:
    """The power of the size with which its processor time grows; None where the smaller is too short to tell."""
    less, more = (found[size]["parts"].get(part, {}).get("processor_seconds", 0.0) for size in (smaller, larger))
    if less < TOO_SHORT or not more:
        return None
    return math.log(more / less) / math.log(int(larger) / int(smaller))


def _ratio(parts: Mapping[str, Any], other: str, ours: str | None) -> str:
    one, own = parts.get(other), parts.get(ours or other)
    if one is None or own is None:
        return ""
    if "failed" in one or "failed" in own:
        return f"{'' if 'failed' in one else 'ours '}did not finish: {one.get('failed') or own['failed']}"
    prefix = "" if ours else "ours_"
    theirs, mine = (
        [each[f"{name}{kind}"] for kind in ("seconds", "processor_seconds")]
        for each, name in ((one, ""), (own, prefix))
    )
    unit = ""
    if "rows" in one and "rows" in own:
        theirs, mine = (
            [value / each["rows"] * 1e5 for value in values] for values, each in ((theirs, one), (mine, own))
        )
        unit = " per 100,000 rows"
    times, by_processor = (a / b if b else math.nan for a, b in zip(theirs, mine, strict=True))
    mark = "; busy" if _busy(one) or _busy(own) else ""
    return f"{_times(times)} ({_times(by_processor)}): {theirs[0]:.2f} s, ours {mine[0]:.2f} s{unit}{mark}"


def _times(ratio: float) -> str:
    return f"{ratio:.0f}" if ratio >= 10 else f"{ratio:.1f}" if ratio >= 1 else f"{ratio:.2f}"


def _busy(one: Mapping[str, Any]) -> bool:
    return bool(one["others"] >= BUSY)


def _cell(one: Mapping[str, Any] | None) -> str:
    if one is None:
        return ""
    if "failed" in one:
        return f"did not finish: {one['failed']}"
    words = f"{one['seconds']:.2f} s ({one['processor_seconds']:.2f}); {one['peak_bytes'] / 2**30:.2f} GiB"
    return f"{words}; busy" if _busy(one) else words


def _sums(found: Results, size: str) -> Iterator[str]:
    parts = found[size]["parts"]
    days = sorted({one["date"] for one in parts.values()})
    busy = sum(map(_busy, parts.values()))
    measured = f"Measured {' to '.join(dict.fromkeys((days[0], days[-1])))}, {busy} of {len(parts)} parts while busy."
    if not {RECORDS, BARE, INTAKE} <= parts.keys() or "failed" in parts[BARE]:
        yield f"- {int(size):,} patients: {measured}"
        return
    taken, made, bare = parts[INTAKE], parts[RECORDS], parts[BARE]
    yield (
        f"- {int(size):,} patients: {taken['rows']:,} rows, {taken['rows'] / taken['seconds']:,.0f} a second at "
        f"intake; registry {taken['bytes'] / 2**20:,.1f} MiB, the same records as compressed Parquet "
        f"{made['parquet_bytes'] / 2**20:,.1f} MiB (ratio {taken['bytes'] / made['parquet_bytes']:.2f}), as bare "
        f"DuckDB tables {bare['bytes'] / 2**20:,.1f} MiB. {measured}"
    )


def _about(last: Mapping[str, Any]) -> str:
    return (
        f"Machine: {last['machine']}. Python {last['python']}, "
        + ", ".join(f"{name} {number}" for name, number in last["versions"].items())
        + ". Seconds on the clock (of all processors together, which is what counts where the machine does other "
        "work), and the peak memory of a process that does nothing else; analyses without imports and opening, "
        f"commands with all of it. Busy: other programs used {BUSY:g} cores or more on average meanwhile, or as many "
        "were at work before. Growth is that of processor seconds; it cannot be told where the smaller size takes less "
        f"than {TOO_SHORT:g} s. Goals: no analysis faster than n to the 1.1; intake 100,000 rows a second; registry at "
        "most 1.5 times the Parquet."
    )


def _head(cells: Sequence[str]) -> Iterator[str]:
    yield _row(cells)
    yield "|" + "---|" * len(cells)


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"
