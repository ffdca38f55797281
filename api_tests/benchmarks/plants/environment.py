"""Receipts and loadings of lots: their entries, and the rows of the books that only the end knows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from api_tests.benchmarks.plants.catalogue import NUMBERED, feeds, supplier_of
from api_tests.benchmarks.plants.clock import moments, said, texts
from api_tests.benchmarks.plants.forms import EnvironmentForm, Forms
from api_tests.benchmarks.plants.lots import SPARE, Event, Lots
from api_tests.benchmarks.plants.shift import is_counted
from api_tests.benchmarks.plants.stamping import LATENCY, Stamps, identities
from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.moments import FOREVER
from partkin.rules.rows import ItemRow, LoadingRow, NumberCounterRow, PointOfUseRow, ReceiptRow, Row
from partkin.store.journal.entries import Entry

PRODUCED_BEFORE = 20 * 86_400_000_000
"""Microseconds from the production of a lot to its receipt."""


class Environment:
    """What the units draw from."""

    def __init__(self, forms: Forms, lots: Lots, stamps: Stamps, seed: int) -> None:
        self._lots, self._stamps, self._seed = lots, stamps, seed
        played = forms.played
        self._receipts = {part: forms.of_environment(entry) for part, entry in played.receipts.items()}
        self._loadings = {key: forms.of_environment(entry) for key, entry in played.loadings.items()}
        self._numbers = stamps.event_numbers()
        at = moments(np.array([event.time for event in lots.events]))
        self._at = at.tolist()
        (place,) = {form.rows["item known"] for form in self._receipts.values()}
        loaded = [self._loading_form(number).rows["loaded"] for number in range(len(lots.loadings))]
        uses = {feed: form.rows["point of use known"] for (feed, first), form in self._loadings.items() if first}
        lots.numbered(self._numbers, place, loaded, uses)

    def _loading_form(self, which: int) -> EnvironmentForm:
        loading = self._lots.loadings[which]
        return self._loadings[loading.feed, loading.first]

    def _in_container(self, which: int) -> int | None:
        """Pieces of a container, where they are counted."""
        loading = self._lots.loadings[which]
        if not is_counted(self._lots.lots[loading.lot].part):
            return None
        return (loading.draws + SPARE) * self._lots.pieces_at(loading.feed)

    # -- the journal

    def entries(self, places: range) -> Iterator[Entry]:
        """The entries of receipts and loadings."""
        for place in places:
            yield self._entry(place)

    def _entry(self, place: int) -> Entry:
        event, number, at = self._lots.events[place], self._numbers[place], self._at[place]
        form, lot, pieces = self._said(event)
        (identity,) = identities(np.random.default_rng([self._seed, 3, place]), 1)
        moment, recorded = np.array([at]), np.array([at + LATENCY])
        named: dict[str, Any] = {
            **{f"row {row}": number * FACTS_PER_ENTRY + row for row in form.rows.values()},
            "entry": number,
            "lot": self._lots.lots[lot].code,
            "message": identity,
            "said": said(moment)[0],
            "at text": texts(moment)[0],
            "recorded text": texts(recorded)[0],
            "pieces": pieces,
            "produced": _produced(at).isoformat(),
            "note": _note(lot),
        }
        return replace(
            form.played,
            id=number,
            message_id=identity,
            occurred_at=at,
            recorded_at=at + LATENCY,
            message=form.message % named,
            answer=form.answer % named,
        )

    def _said(self, event: Event) -> tuple[EnvironmentForm, int, int | None]:
        """The form of a receipt or loading, its lot, and the pieces that it says."""
        if event.is_loading:
            lot = self._lots.loadings[event.which].lot
            return self._loading_form(event.which), lot, self._in_container(event.which)
        received = self._lots.lots[event.which]
        return self._receipts[received.part], event.which, received.received

    # -- the books

    def rows(self) -> Iterator[Row]:
        """Points of use, lots, their receipts and loadings, and counters, as they are once all units were written."""
        for feed, number in self._lots.points_of_use.items():
            point, position, _ = feeds()[feed]
            yield PointOfUseRow(number, point, position)
        yield from self._lot_rows()
        yield from self._loading_rows()
        for part in NUMBERED:
            yield NumberCounterRow(part, "", self._stamps.last_numbers[part])

    def _lot_rows(self) -> Iterator[Row]:
        lots = self._lots
        at = moments(np.array([lot.time for lot in lots.lots])).tolist()
        items, entries, used = lots.items.tolist(), lots.entry_of_lot.tolist(), lots.used.tolist()
        for place, lot in enumerate(lots.lots):
            yield ItemRow(
                items[place],
                lot.part,
                "lot",
                lot.code,
                lot_id=None,
                receipt_id=None,
                produced_on=_produced(at[place]),
                expires_on=None,
                state="usable",
                started_at=None,
                received=lot.received,
                used=used[place],
            )
            receipt = entries[place] * FACTS_PER_ENTRY + self._receipts[lot.part].rows["received"]
            said_there = (lot.received, at[place], _note(place))
            yield ReceiptRow(receipt, lot.part, supplier_of(lot.part), items[place], *said_there)

    def _loading_rows(self) -> Iterator[Row]:
        lots = self._lots
        at = moments(np.array([loading.time for loading in lots.loadings])).tolist()
        drawn, rows, items = lots.drawn.tolist(), lots.loading_rows.tolist(), lots.items.tolist()
        for place, loading in enumerate(lots.loadings):
            follows = place + 1 < len(at) and lots.loadings[place + 1].feed == loading.feed
            quantity = self._in_container(place)
            yield LoadingRow(
                rows[place],
                lots.points_of_use[loading.feed],
                items[loading.lot],
                at[place],
                at[place + 1] if follows else FOREVER,
                quantity=quantity,
                drawn=0 if quantity is None else drawn[place],
            )


def _produced(received_at: int) -> date:
    return date.fromisoformat(texts(np.array([received_at - PRODUCED_BEFORE]))[0][:10])


def _note(lot: int) -> str:
    """The delivery note of a lot."""
    return f"R{lot + 1:06d}"
