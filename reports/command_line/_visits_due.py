"""The command that lists whose milestone visit is due or overdue."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from registry.store import open_registry

from ._app import RegistryOption, command, note, say


class _By(StrEnum):
    SITE = "site"
    SURGEON = "surgeon"


@command("visits-due")
def visits_due(
    by: Annotated[_By, typer.Option(help="What to count by.")] = _By.SITE,
    site: Annotated[str | None, typer.Option(metavar="CODE", help="Only the sessions of one site.")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Also write the list.")] = None,
    on: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="Due on this day; today if left out.")
    ] = None,
    registry: RegistryOption = Path("."),
) -> None:
    """List sessions whose milestone visit is due or overdue, so that the site can call the patients.

    A visit is due while the days that serve its milestone run, and overdue until the next milestone begins. Send the
    list to its site, which finds the chart numbers with: graftledger contact-list.
    """
    from pipelines.follow_up.milestones import FOLLOW_UP_MILESTONES
    from pipelines.follow_up.visits_due import LEFT_OUT_LABELS, STATES, visits_due_counts
    from pipelines.follow_up.visits_due import visits_due as listed
    from pipelines.pseudonyms import check_new, write_private
    from pipelines.spreadsheet_cells import guarded
    from registry.errors import GraftledgerError, nearest

    from ..wording import counted, whole

    if csv is not None:
        check_new(csv)
    day = on.date() if on else date.today()
    with open_registry(registry) as opened:
        if site is not None and site not in opened.settings.sites:
            raise GraftledgerError(f"There is no site '{site}'. {nearest(site, list(opened.settings.sites))}")
        found = visits_due_counts(opened, on=day, site=site)
        frame = listed(opened, on=day, site=site) if csv is not None else None
        data_date = opened.data_date
    if csv is not None and frame is not None:
        write_private(csv, guarded(frame).write_csv)
    labels = {milestone.name: milestone.label for milestone in FOLLOW_UP_MILESTONES}
    say(f"{by.value.capitalize():<25} {'Milestone':<12} {'Due':>8} {'Overdue':>8}")
    for name, milestone, due, overdue in found.by(f"{by.value}_code"):
        say(f"{name:<25} {labels[milestone]:<12} {whole(due):>8} {whole(overdue):>8}")
    due, overdue = (found.sessions(state) for state in STATES)
    say(f"{'All':<25} {'':<12} {whole(due):>8} {whole(overdue):>8}")
    left_out = [f"{LEFT_OUT_LABELS[reason]} {whole(count)}" for reason, count in found.left_out.items()]
    note(fill(f"On {day}. Not on the list (sessions): {'; '.join(left_out) or 'none'}.", 80))
    note(fill(f"Records are complete to {data_date or 'no declared day'}; a visit not yet delivered is not known.", 80))
    if frame is not None:
        note(f"{counted(frame.height, 'session')} listed in {csv}, which only you may read.")
