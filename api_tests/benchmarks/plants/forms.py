"""Forms: what came of a play, with a blank for everything that is another one in another block of units.

A blank is a group, which says how it is filled in, and a key within the group. Whatever stands in a text or a row of
the play and is neither a blank nor the same in every block would be found by `partkin check`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, fields
from operator import itemgetter
from typing import Any, NamedTuple

from api_tests.benchmarks.plants.catalogue import BOUGHT, CONSIGNEES, DIGITS, NUMBERED, feeds
from api_tests.benchmarks.plants.journal import texts_of
from api_tests.benchmarks.plants.shift import (
    BEGIN,
    FIRST_NUMBER,
    IN_CONTAINER,
    NOTE,
    NOW,
    PRODUCED,
    RECEIVED,
    SHIPMENT,
    Played,
    Stage,
    lot_at,
)
from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.moments import FOREVER, text_of
from partkin.rules.rows import MarriageRow
from partkin.store.journal.entries import Entry

GROUPS = (
    "entry",
    "row",
    "at",
    "at text",
    "said",
    "recorded",
    "recorded text",
    "message",
    "serial",
    "number",
    "running",
    "lot",
    "lot item",
    "loading",
    "point of use",
    "value",
    "block",
    "constant",
)
"""In the order in which their values are listed."""

_TOKEN = re.compile(r"[0-9A-Za-z](?:[0-9A-Za-z_.:-]*[0-9A-Za-z])?")
HEAD = tuple(field.name for field in fields(Entry) if field.name not in ("id", "message_id", "message", "answer"))
"""Columns of an entry besides its number, its message's identifier and its texts."""

Values = list[Any]
Fill = Callable[[Values], tuple[Any, ...]]


class Blank(NamedTuple):
    """What is filled in."""

    group: str
    key: Hashable


class Text(NamedTuple):
    """A text with blanks: for the % operator, and what it takes."""

    text: str
    blanks: tuple[Blank, ...]


class EntryForm(NamedTuple):
    """An entry of the journal."""

    place: int
    """Among the entries of the block."""
    head: tuple[Blank, ...]
    texts: tuple[Text, ...]

    @property
    def key(self) -> tuple[Blank, Blank]:
        """Its number, and its message's identifier."""
        return Blank("entry", self.place), Blank("message", self.place)


class RowForm(NamedTuple):
    """A row of the books."""

    place: int
    """Of the entry that it is written with."""
    columns: tuple[Blank, ...]


@dataclass(frozen=True)
class StageForms:
    """All that a block leaves when so much has happened in it."""

    entries: tuple[EntryForm, ...]
    rows: Mapping[str, tuple[RowForm, ...]]
    """By table."""


class Draw(NamedTuple):
    """Pieces that are drawn at a feed by an entry of the block."""

    place: int
    feed: int


class Forms:
    """The forms of a block, and of receipts and loadings."""

    def __init__(self, played: Played) -> None:
        self.played = played
        self.first = played.entries[0].id
        self.offsets = [((entry.occurred_at or 0) - BEGIN) // 1000 for entry in played.entries]
        """Milliseconds after the beginning of the block."""
        self.keys: dict[str, dict[Hashable, int]] = {group: {} for group in GROUPS}
        self._tokens = self._names()
        self._moments = {entry.occurred_at: place for place, entry in enumerate(played.entries)}
        self._feed_items = self._feed_rows()
        entries = [self._entry(entry) for entry in played.entries]
        self.pieces: dict[Draw, int] = {}
        self.stages = tuple(self._stage(entries, stage) for stage in (played.halfway, played.packed, played.shipped))
        """Halfway, packed, shipped."""

    # -- what stands for something else

    def _names(self) -> dict[str, Blank]:
        names = {SHIPMENT: Blank("block", "shipment"), NOTE: Blank("block", "note")}
        names[CONSIGNEES[0]] = Blank("block", "consignee")
        for place, entry in enumerate(self.played.entries):
            at = text_of(entry.occurred_at or 0)
            names[at] = Blank("at text", place)
            names[f"{at[:23]}Z"] = Blank("said", place)
            names[entry.message_id or ""] = Blank("message", place)
        for row in self.played.shipped.rows["item"]:
            part, code = row[1], row[3]
            if part in NUMBERED:
                running = int(code[-DIGITS:])
                issued = Blank("number", (part, self._place_of(row[0])))
                names[code], names[str(running)] = issued, Blank("running", issued.key)
            elif part in BOUGHT:
                names[code] = Blank("serial", (part, int(code[-DIGITS:])))
        return names

    def _place_of(self, row: int) -> int:
        """Of the entry that made a row, among those of the block; negative for what was there before."""
        return row // FACTS_PER_ENTRY - self.first

    def _feed_rows(self) -> dict[int, tuple[str, int]]:
        """What the number of an item, loading or point of use that was there before stands for, and at which feed."""
        codes = {lot_at(place, False): place for place in range(len(feeds()))}
        lots = {row[0]: codes[row[3]] for row in self.played.halfway.rows["item"] if row[3] in codes}
        found = {item: ("lot item", place) for item, place in lots.items()}
        found |= {row[0]: ("loading", lots[row[2]]) for row in self.played.halfway.rows["loading"] if row[2] in lots}
        places = {(point, position): place for place, (point, position, _) in enumerate(feeds())}
        found |= {row[0]: ("point of use", places[row[1:]]) for row in self.played.halfway.rows["point_of_use"]}
        return found

    def _named(self, token: str, place: int) -> Blank | None:
        if token.isalpha():
            return None
        blank = self._tokens.get(token)
        if blank is not None:
            return blank
        if token == text_of(NOW):
            return Blank("recorded text", place)
        if token.startswith("lot-") and token.endswith("-then"):
            return Blank("lot", Draw(place, int(token.split("-")[1])))
        if token.isdecimal() and int(token) >= FIRST_NUMBER:
            return self._numbered(int(token), place)
        if re.fullmatch(r"\d+\.\d{6}", token):
            return Blank("value", float(token))
        return None

    def _numbered(self, number: int, place: int) -> Blank:
        """What a number stands for that is no count."""
        if number in self._feed_items:
            group, feed = self._feed_items[number]
            return Blank(group, feed if group == "point of use" else Draw(place, feed))
        if number in self._moments:
            return Blank("at", self._moments[number])
        if number == NOW:
            return Blank("recorded", place)
        if 0 <= number - self.first < len(self.played.entries):
            return Blank("entry", number - self.first)
        of_entry = self._place_of(number)
        if 0 <= of_entry < len(self.played.entries):
            return Blank("row", (of_entry, number % FACTS_PER_ENTRY))
        raise ValueError(f"{number} in entry {self.first + place} of the play stands for nothing known")

    # -- forms

    def _text(self, text: str, place: int) -> Text:
        blanks: list[Blank] = []

        def leave_blank(found: re.Match[str]) -> str:
            blank = self._named(found[0], place)
            if blank is None:
                return found[0].replace("%", "%%")
            blanks.append(self._noted(blank))
            return "%s"

        return Text(_TOKEN.sub(leave_blank, text.replace("%", "%%")), tuple(blanks))

    def _value(self, value: Any, place: int) -> Blank:
        blank = None
        if isinstance(value, str):
            blank = self._named(value, place)
        elif isinstance(value, float) and value not in (0.0, 100.0):
            blank = Blank("value", value)
        elif isinstance(value, int) and not isinstance(value, bool) and value >= FIRST_NUMBER and value != FOREVER:
            blank = self._numbered(value, place)
        return self._noted(Blank("constant", (type(value), value)) if blank is None else blank)

    def _noted(self, blank: Blank) -> Blank:
        keys = self.keys[blank.group]
        keys.setdefault(blank.key, len(keys))
        return blank

    def _entry(self, entry: Entry) -> EntryForm:
        place = entry.id - self.first
        head = tuple(self._value(getattr(entry, name), place) for name in HEAD)
        form = EntryForm(place, head, tuple(self._text(text, place) for text in texts_of(entry)))
        for blank in form.key:
            self._noted(blank)
        return form

    def _stage(self, entries: list[EntryForm], stage: Stage) -> StageForms:
        rows = {
            table: tuple(self._row(row) for row in of_table if self._is_of_block(row))
            for table, of_table in stage.rows.items()
        }
        self._note_draws(stage)
        happened = stage.last_entry - self.first + 1
        return StageForms(tuple(entries[:happened]), {table: forms for table, forms in rows.items() if forms})

    def _is_of_block(self, row: tuple[Any, ...]) -> bool:
        return isinstance(row[0], int) and self._place_of(row[0]) >= 0

    def _row(self, row: tuple[Any, ...]) -> RowForm:
        place = self._place_of(row[0])
        return RowForm(place, tuple(self._value(value, place) for value in row))

    def _note_draws(self, stage: Stage) -> None:
        """The pieces that each draw takes."""
        for row in stage.rows["marriage"]:
            one = MarriageRow(*row)
            group, feed = self._feed_items.get(one.child_id or 0, ("", 0))
            if group == "lot item":
                self.pieces[Draw(self._place_of(one.id), feed)] = one.quantity

    # -- receipts and loadings

    def of_environment(self, entry: Entry) -> EnvironmentForm:
        """The form of a receipt or a loading."""
        at = text_of(entry.occurred_at or 0)
        (lot,) = set(re.findall(r"lot-\d+-(?:first|then)", entry.message))
        names = {
            text_of(NOW): "recorded text",
            at: "at text",
            f"{at[:23]}Z": "said",
            entry.message_id: "message",
            lot: "lot",
            str(entry.id): "entry",
            str(RECEIVED): "pieces",
            str(IN_CONTAINER): "pieces",
            PRODUCED: "produced",
            NOTE: "note",
        }
        first_row = entry.id * FACTS_PER_ENTRY

        def leave_blank(found: re.Match[str]) -> str:
            name = names.get(found[0])
            if name is None and found[0].isdecimal() and 0 <= int(found[0]) - first_row < FACTS_PER_ENTRY:
                name = f"row {int(found[0]) - first_row}"
            return found[0] if name is None else f"%({name})s"

        message, answer = (_TOKEN.sub(leave_blank, text.replace("%", "%%")) for text in (entry.message, entry.answer))
        rows = {fact["fact"]: fact["number"] - first_row for fact in json.loads(entry.answer)["facts"]}
        return EnvironmentForm(entry, message, answer, rows)

    # -- filling in

    def places(self) -> dict[Blank, int]:
        """Where the value of each blank stands in the list of all values."""
        found: dict[Blank, int] = {}
        start = 0
        for group in GROUPS:
            found |= {Blank(group, key): start + place for key, place in self.keys[group].items()}
            start += len(self.keys[group])
        return found


@dataclass(frozen=True)
class EnvironmentForm:
    """A receipt or a loading: its texts, with named blanks."""

    played: Entry
    message: str
    answer: str
    rows: Mapping[str, int]
    """The fact that made a row, and the row's place in the entry."""


def filler(blanks: tuple[Blank, ...], places: Mapping[Blank, int]) -> Fill:
    """What takes the values of some blanks out of all."""
    where = [places[blank] for blank in blanks]
    if len(where) == 1:
        (only,) = where
        return lambda values: (values[only],)
    return itemgetter(*where)
