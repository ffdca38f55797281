"""The list of a freeze, to the byte, so that whoever has its hash can see that it is the same."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from partkin.questions.as_known import AsKnown
from partkin.questions.containment.things import case_named
from partkin.rules.containment.listing import list_lines
from partkin.rules.containment.naming import suspects_of
from partkin.rules.rows import CaseRevisionRow
from partkin.store.containment import cases, records
from partkin.store.database import Database


class NeverFrozen(LookupError):
    """The case has no freeze of this number."""


def frozen_list(
    database: Database, code: str, revision: int | None, folder: Path | None, progress: Callable[[int, int], None]
) -> str:
    """The lines whose SHA-256 a freeze says: made anew from the journal up to its seal, not from what was kept.

    The last freeze, if `revision` is left out. Raises NoSuchCase and NeverFrozen, and as AsKnown does.
    """
    frozen = _revision(database, code, revision)
    if frozen.seal is None:
        return ""  # nothing was recorded yet
    known = AsKnown(database, frozen.seal, folder, progress)
    with known.read() as connection:
        exposed = cases.exposed_things(connection, suspects_of(frozen.suspects))
        things = cases.found_things(connection, exposed)
    return "".join(f"{line}\n" for line in list_lines(things))


def _revision(database: Database, code: str, revision: int | None) -> CaseRevisionRow:
    with database.read() as connection:
        case = case_named(connection, code)
        frozen = records.revisions_of(connection, case.id)
    wanted = case.revision if revision is None else revision
    found = next((one for one in frozen if one.revision == wanted), None)
    if found is None:
        raise NeverFrozen(f"Case {code} has no revision {wanted}: it was frozen {len(frozen)} times.")
    return found
