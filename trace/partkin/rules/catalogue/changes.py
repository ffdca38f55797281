"""What differs between two catalogues, row by row."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from partkin.rules.catalogue import Catalogue, CatalogueRow, Numbering
from partkin.rules.catalogue.tables import KINDS, catalogue_of, kind_of, row_as_json, row_key, row_of_json, rows_of


@dataclass(frozen=True, slots=True)
class ChangedRow:
    """A row of one key, before and after."""

    old: CatalogueRow
    new: CatalogueRow


@dataclass(frozen=True, slots=True)
class CatalogueChanges:
    """What to do to one catalogue to get another; false when there is nothing to do."""

    added: tuple[CatalogueRow, ...] = ()
    changed: tuple[ChangedRow, ...] = ()
    removed: tuple[CatalogueRow, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.added or self.changed or self.removed)


def changes_between(old: Catalogue, new: Catalogue) -> CatalogueChanges:
    """The rows that differ, by kind and key; the order of rows and the revision do not matter."""
    added: list[CatalogueRow] = []
    changed: list[ChangedRow] = []
    removed: list[CatalogueRow] = []
    for kind in KINDS.values():
        before = {row_key(row): row for row in rows_of(old, kind)}
        after = {row_key(row): row for row in rows_of(new, kind)}
        added += [row for key, row in after.items() if key not in before]
        changed += [ChangedRow(before[key], row) for key, row in after.items() if before.get(key, row) != row]
        removed += [row for key, row in before.items() if key not in after]
    return CatalogueChanges(tuple(added), tuple(changed), tuple(removed))


def changes_as_json(changes: CatalogueChanges) -> dict[str, Any]:
    """The changes as JSON for the journal: each row with its kind."""
    return {
        "added": [_row(row) for row in changes.added],
        "changed": [{"old": _row(row.old), "new": _row(row.new)} for row in changes.changed],
        "removed": [_row(row) for row in changes.removed],
    }


def changes_of_json(value: Mapping[str, Any]) -> CatalogueChanges:
    """The changes that `changes_as_json` wrote, also in the days when each part had its own running numbers."""
    before = _rows([*value["removed"], *(row["old"] for row in value["changed"])])
    after = _rows([*value["added"], *(row["new"] for row in value["changed"])])
    return changes_between(catalogue_of(before), catalogue_of(after))


def _row(row: CatalogueRow) -> dict[str, Any]:
    return {"kind": kind_of(row).name, "row": row_as_json(row)}


def _rows(values: Iterable[Mapping[str, Any]]) -> Iterator[CatalogueRow]:
    for value in values:
        if "serial_digits" in value["row"]:
            yield from _part_and_numbering(**value["row"])
        else:
            yield row_of_json(value["kind"], value["row"])


def _part_and_numbering(*, serial_prefix: str, serial_digits: int, **part: Any) -> Iterator[CatalogueRow]:
    """A part as it was journalled when it had its own running numbers: the scheme of these has the part's number."""
    scheme = part["part"]
    yield Numbering(scheme, "running", serial_digits, serial_prefix, check=part.get("label_check"))
    yield row_of_json("part", {**part, "numbering": scheme})
