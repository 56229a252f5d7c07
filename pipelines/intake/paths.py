"""Which files an intake reads, and what they are called in its report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from registry import Fault, GraftledgerError

SUFFIXES = (".csv", ".parquet")


def files_of(paths: Iterable[Path]) -> list[Path]:
    """The files named, and those of the folders named, each once.

    Raises: GraftledgerError for every path that is missing or no file, has another ending, or is a folder that
    holds no CSV or Parquet file.
    """
    found: dict[Path, Path] = {}
    faults: list[Fault] = []
    for path in paths:
        try:
            files = _expand(path)
        except GraftledgerError as error:
            faults += error.faults
        except OSError as error:
            faults.append(Fault(f"cannot be opened ({(error.strerror or 'error').lower()}).", str(path)))
        else:
            found |= {file.resolve(): file for file in files}
    if faults:
        raise GraftledgerError(*faults)
    if not found:
        raise GraftledgerError("No file was named. Name at least one CSV or Parquet file, or a folder of them.")
    return list(found.values())


def _expand(path: Path) -> list[Path]:
    if path.is_dir():
        files = sorted(
            file
            for file in path.iterdir()
            if file.is_file() and file.suffix.lower() in SUFFIXES and not file.name.startswith((".", "~"))
        )
        if not files:
            raise GraftledgerError(
                Fault("the folder holds no CSV or Parquet file.", str(path), mend="Name the folder with the files.")
            )
        return files
    if not path.exists():
        raise GraftledgerError(Fault("there is no such file.", str(path), mend="Check its name and folder."))
    if not path.is_file():
        raise GraftledgerError(Fault("this is not a file.", str(path)))
    if path.suffix.lower() not in SUFFIXES:
        raise GraftledgerError(
            Fault("the file ends in neither .csv nor .parquet.", str(path), mend="Save it as CSV (UTF-8) or Parquet.")
        )
    return [path]


def labels_of(files: Sequence[Path]) -> list[str]:
    """The shortest ending of each path that tells the files apart.

    >>> labels_of([Path("in/A/visit.csv"), Path("in/B/visit.csv"), Path("in/B/patient.csv")])
    ['A/visit.csv', 'B/visit.csv', 'patient.csv']
    """
    parts = [file.parts for file in files]
    depth = [1] * len(parts)
    while True:
        labels = ["/".join(part[-count:]) for part, count in zip(parts, depth, strict=True)]
        counts = Counter(labels)
        deeper = [
            count + 1 if counts[label] > 1 and count < len(part) else count
            for label, count, part in zip(labels, depth, parts, strict=True)
        ]
        if deeper == depth:
            return labels
        depth = deeper
