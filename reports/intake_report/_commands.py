"""What to do about the rows that an intake held back, as steps with the commands to type."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.intake_batch import OpenEntries

from .. import wording
from ._data import IntakeData


@dataclass(frozen=True)
class Step:
    """One thing to do. commands: to be typed one after another, each whole."""

    words: str
    commands: tuple[str, ...] = ()


def steps(data: IntakeData) -> tuple[Step, ...]:
    """The steps in their order; none where every row held back is settled."""
    batch, option = data.batch, data.registry_option
    found = [_site_step(entries, data) for entries in batch.still_open if entries.open]
    if found:
        found.append(
            Step(
                "Where the settings were at fault (they lack a site or a surgeon), add it to settings.toml and judge "
                "the rows again. Where a mapping was at fault, correct it and take the same files in again.",
                (f"graftledger held-back retry{option}",),
            )
        )
    waiting = sum(entries.waiting for entries in batch.still_open)
    if waiting:
        found.append(
            Step(
                f"{wording.counted(waiting, 'row waits', 'rows wait')} for a record that has not come. "
                "Nothing is wrong with them: once it comes in, they follow by themselves."
            )
        )
    if batch.withdrawn:
        found.append(
            Step(
                f"{wording.counted(batch.withdrawn, 'patient has', 'patients have')} withdrawn consent; nothing more "
                "of them is taken in. The status names their keys. Erase what is there:",
                (f"graftledger status{option}", f"graftledger erase-patient PATIENT_KEY{option}"),
            )
        )
    if found:
        listing = f"graftledger held-back list --intake {batch.intake_id} --open{option}"
        found.append(Step("To see every row that is still held back, with its reasons:", (listing,)))
    return tuple(found)


def _site_step(entries: OpenEntries, data: IntakeData) -> Step:
    """The way of a site's rows out and back."""
    code, folder = entries.site or "none", f"held_back_{data.batch.intake_id}"
    whose = f"Site {entries.site}" if entries.site else "Rows of no known site"
    by_mapping = f" --site {entries.site}" if entries.site and entries.is_mapped else ""
    return Step(
        f"{whose}: {wording.counted(entries.open, 'row', 'rows')} to mend. Write a workbook for the site, which holds "
        "all of its rows that are held back, those of other intakes too. The site mends them; then take the workbook "
        "in.",
        (
            f"graftledger held-back export --site {code} --out {folder}{data.registry_option}",
            f"graftledger intake {folder}/held_back_{code}.xlsx{by_mapping}{data.registry_option}",
        ),
    )
