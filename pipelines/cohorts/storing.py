"""Cohort definitions in the registry: each name has versions, and none is ever changed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from registry.changes import transaction
from registry.errors import GraftledgerError, nearest
from registry.store import Registry, has_table
from registry.version import program_version

from .definition import CohortDefinition, check_name


@dataclass(frozen=True)
class StoredCohort:
    """A definition under its name. snapshot: of the records when it was defined."""

    name: str
    version: int
    definition: CohortDefinition
    defined_at: datetime
    defined_by: str
    snapshot: str


def store_cohort(registry: Registry, name: str, definition: CohortDefinition, *, defined_by: str) -> StoredCohort:
    """Keep a definition under a name. The last version is given back where it says the same.

    Raises: GraftledgerError for a name that is none.
    """
    check_name(name)
    earlier = [cohort for cohort in list_cohorts(registry) if cohort.name == name]
    if earlier and earlier[-1].definition == definition:
        return earlier[-1]
    with transaction(registry.connection):
        registry.connection.execute(
            "insert into cohort_definition values (?, ?, ?, ?, ?, ?, ?)",
            [
                name,
                len(earlier) + 1,
                definition.to_json(),
                datetime.now(UTC).replace(tzinfo=None, microsecond=0),
                defined_by,
                program_version(),
                registry.snapshot,
            ],
        )
    return load_cohort(registry, name)


def list_cohorts(registry: Registry) -> tuple[StoredCohort, ...]:
    """Every version of every cohort, by name and version."""
    if not has_table(registry.connection, "cohort_definition"):
        return ()
    found = registry.connection.execute(
        "select name, version, definition, defined_at, defined_by, snapshot from cohort_definition order by all"
    ).fetchall()
    return tuple(
        StoredCohort(name, version, CohortDefinition.from_json(text), *rest) for name, version, text, *rest in found
    )


def load_cohort(registry: Registry, name: str, version: int | None = None) -> StoredCohort:
    """The cohort of that name, in its last version unless another is asked for.

    Raises: GraftledgerError where there is none (naming the nearest).
    """
    known = list_cohorts(registry)
    own = [cohort for cohort in known if cohort.name == name]
    if not own:
        names = sorted({cohort.name for cohort in known})
        hint = nearest(name, names) if names else "None is defined yet: graftledger cohort define NAME."
        raise GraftledgerError(f"There is no cohort '{name}'. {hint}")
    if version is None:
        return own[-1]
    if not 1 <= version <= len(own):
        raise GraftledgerError(f"The cohort {name} has versions 1 to {len(own)}.")
    return own[version - 1]
