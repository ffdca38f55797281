"""The books, rebuilt from the journal's entries into an empty store."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from sqlalchemy import Connection

from partkin.rules.applying import apply
from partkin.rules.catalogue.changes import changes_of_json
from partkin.rules.facts import (
    Corrected,
    Decided,
    Despatched,
    Dropped,
    Fact,
    Inspected,
    ItemKey,
    ItemKnown,
    LeftOver,
    Loaded,
    LoadingCorrected,
    LotNamed,
    MarriageEnded,
    MarriageRestored,
    Married,
    NumberIssued,
    NumbersIssued,
    Ordered,
    OrderTaken,
    Received,
    Redrawn,
    Released,
    Relisted,
    Removed,
    ShipmentLoaded,
    ShipmentOpened,
    ShipmentUnloaded,
    SortingDrawn,
    Transferred,
    UseKnown,
)
from partkin.rules.facts_json import fact_of_json
from partkin.rules.moments import Moment
from partkin.rules.reading import Wanted
from partkin.store.books.known import fetch_known
from partkin.store.books.writing import write_changes
from partkin.store.catalogue import apply_changes, read_catalogue
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, add_entries

CHUNK = 2000
"""Entries applied in one transaction."""

MOST_FACTS = 20_000
"""Facts applied at a time: lists of containment cases have thousands in an entry."""


def rebuild(
    entries: Iterator[Entry], empty: Database, progress: Callable[[int], None], *, with_journal: bool = False
) -> None:
    """Apply the facts of entries, in order, to an empty store; with the journal, also add the entries themselves.

    `progress` is told how many entries were applied.
    """
    done = 0
    while chunk := list(islice(entries, CHUNK)):
        with empty.write() as connection:
            if with_journal:
                add_entries(connection, chunk)
            _apply(connection, chunk)
        done += len(chunk)
        progress(done)


def _apply(connection: Connection, chunk: list[Entry]) -> None:
    facts: list[Fact] = []
    for entry in chunk:
        if entry.outcome != "recorded":
            continue
        answer = json.loads(entry.answer)
        if entry.kind == "catalogue":
            _apply_facts(connection, facts)
            facts = []
            apply_changes(connection, changes_of_json(answer["changes"]), revision=entry.id)
        else:
            facts += map(fact_of_json, answer["facts"])
        if len(facts) >= MOST_FACTS:
            _apply_facts(connection, facts)
            facts = []
    _apply_facts(connection, facts)


def _apply_facts(connection: Connection, facts: list[Fact]) -> None:
    if not facts:
        return
    wanted = Wanted(since=min(_moments(facts), default=0))
    for fact in facts:
        _want(wanted, fact)
    known = fetch_known(connection, wanted, read_catalogue(connection))
    for fact in facts:
        apply(fact, known)
    write_changes(connection, known.changes)


def _moments(facts: Iterable[Fact]) -> Iterator[Moment]:
    for fact in facts:
        match fact:
            case Married() | Redrawn():
                yield fact.started
            case Loaded() | Removed():
                yield fact.at


def _want(wanted: Wanted, fact: Fact) -> None:  # noqa: C901 - one case a kind of fact
    """What a fact looks at when it is applied."""
    item, case = getattr(fact, "item", None), getattr(fact, "case", None)
    if item is not None:
        wanted.items.add(item)
    if case is not None:
        wanted.cases.add(case)
    match fact:
        case ItemKnown(item=key, of_lot=str() as of_lot) | LotNamed(item=key, of_lot=of_lot):
            wanted.items.add(ItemKey(key.part, "lot", of_lot))
        case NumberIssued(part=part):
            wanted.numbered[part, ""] = 0
        case NumbersIssued(scheme=scheme, period=period):
            wanted.numbered[scheme, period] = 0
        case Married(parent=parent, child=child, drawn_at=use):
            wanted.items.update({parent} | ({child} if child is not None else set()))
            if use is not None:
                wanted.scan_points.add(use.scan_point)
        case MarriageEnded(marriage=number) | MarriageRestored(marriage=number):
            wanted.marriages.add(number)
        case Removed(parent=parent, child=child):
            wanted.items.update({parent, child})
        case Corrected(wrong=number) | LeftOver(loading=number) | LoadingCorrected(loading=number):
            wanted.wrong.add(number)
            _want_lot(wanted, getattr(fact, "lot", None))
        case UseKnown(use=use):
            wanted.scan_points.add(use.scan_point)
        case Loaded(use=use, lot=lot):
            wanted.scan_points.add(use.scan_point)
            _want_lot(wanted, lot)
        case Redrawn(use=use, lot=lot, marriages=marriages):
            wanted.scan_points.add(use.scan_point)
            wanted.loads.add(use.scan_point)
            wanted.marriages.update(marriages)
            _want_lot(wanted, lot)
        case Transferred(source=source, target=target):
            wanted.items.update({source, target})
        case Received(part=part, lot=lot, serials=serials):
            wanted.items.update(ItemKey(part, "serial", serial) for serial in serials)
            _want_lot(wanted, lot)
        case Released(hold=hold):
            wanted.holds.add(hold)
        case Ordered(order=order) | OrderTaken(order=order):
            wanted.orders.add(order)
        case ShipmentOpened() | ShipmentLoaded() | Despatched():
            wanted.shipments.add(fact.shipment)
        case ShipmentUnloaded(line=line):
            wanted.shipment_lines.add(line)
        case Relisted(listed=listed) | Dropped(listed=listed):
            wanted.case_items.add(listed)
        case Decided(listed=listed, sorting=sorting):
            wanted.case_items.add(listed)
            if sorting is not None:
                wanted.sortings.add(sorting)
        case SortingDrawn(drawn=drawn):
            wanted.items.update(drawn)
        case Inspected(sorting=sorting):
            wanted.sortings.add(sorting)


def _want_lot(wanted: Wanted, lot: ItemKey | None) -> None:
    if lot is not None:
        wanted.items.add(lot)
