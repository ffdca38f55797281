"""The labels that an entry of the journal printed, or whose numbers it reserved."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection

from partkin.rules.catalogue import Catalogue, Part
from partkin.rules.facts import Fact, ItemKey, LabelKind, LabelPrinted, NumbersIssued
from partkin.rules.facts_json import fact_of_json
from partkin.rules.labels import Label, Labelled, compose
from partkin.rules.labels.items import labelled_item
from partkin.store.catalogue import read_catalogue
from partkin.store.database import Database
from partkin.store.items import Dated, dated_items
from partkin.store.journal.entries import read_entries


class NoLabels(LookupError):
    """The entry printed no labels."""


def printed_labels(database: Database, entry: int, *, link_stem: str) -> list[Label]:
    """The labels of a print, or of the numbers of a block, as the books and the catalogue know the items now.

    `link_stem` is what a GS1 Digital Link begins with. Raises NoLabels and LabelError.
    """
    with database.read() as connection:
        facts, message = _told_by(connection, entry)
        catalogue = read_catalogue(connection)
        prints = [fact for fact in facts if isinstance(fact, LabelPrinted)]
        known = dated_items(connection, [fact.item for fact in prints])
    labels = [_printed(catalogue, fact, known[fact.item], link_stem) for fact in prints]
    for fact in facts:
        if isinstance(fact, NumbersIssued) and message["kind"] == "number-block":
            labels += _reserved(catalogue, message["part"], fact, link_stem)
    if not labels:
        raise NoLabels(f"Entry {entry} printed no labels and reserved no numbers.")
    return labels


def _told_by(connection: Connection, number: int) -> tuple[list[Fact], Mapping[str, Any]]:
    entry = next(read_entries(connection, after=number - 1, limit=1), None)
    if entry is None or entry.id != number or entry.kind not in ("label-print", "number-block"):
        raise NoLabels(f"Entry {number} is no print of labels and no block of numbers.")
    answer = json.loads(entry.answer)
    return [fact_of_json(fact) for fact in answer.get("facts", ())], json.loads(entry.message)


def _printed(catalogue: Catalogue, fact: LabelPrinted, known: Dated, link_stem: str) -> Label:
    labelled = labelled_item(catalogue, fact.item, *known)
    return compose(labelled, fact.label, fact.symbol, link_stem=link_stem)


def _reserved(catalogue: Catalogue, part: str, fact: NumbersIssued, link_stem: str) -> Iterator[Label]:
    of = catalogue.part.get(part)
    if of is None:
        raise NoLabels(f"The catalogue has no part {part} any more.")
    kind = _usual_label(catalogue, of)
    for number in fact.numbers:
        labelled: Labelled = labelled_item(catalogue, ItemKey(part, "serial", number), None, None, None, None)
        yield compose(labelled, kind, link_stem=link_stem)


def _usual_label(catalogue: Catalogue, part: Part) -> LabelKind:
    """Packaging that takes other packaging is a pallet."""
    if part.packaging:
        takes = (catalogue.part[row.component] for row in catalogue.alternates if row.part == part.part)
        return "pallet" if any(one.packaging for one in takes) else "carton"
    return "unit" if part.sold else "component"
