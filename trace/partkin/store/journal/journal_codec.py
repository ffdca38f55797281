"""Message and answer of an entry, packed into few bytes, and read again to the last character.

The first byte of a packed value is the number of what it was packed with. Numbers up to 127 are those of the package,
whose dictionaries stand beside this file and are never changed nor removed; those from 128 on are of dictionaries that
the store itself has, trained on its own entries. After it comes a Zstandard frame (RFC 8878) without magic number and
dictionary number. In it is the text of the message, a NUL and the text of the answer, as UTF-8. What the entry's other
columns or its number say already is one control character in there, a mark: canonical JSON (RFC 8785) has none.

A column that was changed behind the journal's back gives other texts than those that were packed. So an entry has
another hash then, and its seal does not hold, as if the texts themselves had been changed.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from importlib import resources
from typing import Final, NamedTuple

import zstandard

from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.moments import Moment, text_of

FIRST: Final = 1
"""Packed with it: the dictionary of the package, and marks for the message's identifier, our clock and the number."""

PACKAGED: Final = 2
"""The same dictionary, and all marks: for a store that has no dictionary yet."""

OWN: Final = range(128, 256)
"""The numbers of a store's own dictionaries; they go with all marks."""

SIZE: Final = 112_640
"""Bytes of a dictionary of the store's own, at most."""

_LEVEL: Final = 9
_PACKAGED_LEVEL: Final = 6
"""With the dictionary of the package a higher one costs time and saves next to nothing."""

_USUAL: Final = 2_000
"""Bytes of a text: the compressor's tables are made as large as that and a dictionary need."""

_TRAINED_FOR: Final = 6
"""The level that a dictionary is made for: for 19 that takes thirty times as long, and packs no better."""

_BETWEEN, *_MARKS = map(chr, range(9))
_MESSAGE_ID, _RECORDED_AT, _ENTRY, _NEXT_NUMBER, _SCAN_POINT, _OPERATOR, _OCCURRED_AT, _WHOLE_SECOND = _MARKS
_NUMBER: Final = '"number":'
_SECOND: Final = 1_000_000


class BrokenEntry(Exception):
    """An entry whose message and answer cannot be read."""

    def __init__(self, entry: int, why: str) -> None:
        self.entry = entry
        super().__init__(f"Entry {entry} cannot be read: {why}.")


class Head(NamedTuple):
    """What the columns of an entry say of it, and so need not stand in what is packed."""

    id: int
    message_id: str | None
    scan_point: str | None
    operator: str | None
    occurred_at: Moment | None
    recorded_at: Moment


# ------------------------------------------------------------------------------------------------------------
# Marks


def with_marks(head: Head, message: str, answer: str) -> str:
    """What is compressed. Raises ValueError unless both are canonical JSON."""
    text = message + _BETWEEN + answer
    if any(map(text.__contains__, _MARKS)) or text.count(_BETWEEN) > 1:
        raise ValueError(f"entry {head.id} is no canonical JSON: it has a control character")
    for mark, words in _standing_for(head, PACKAGED):
        text = text.replace(words, mark)
    before, *parts = text.split(_NUMBER)
    marked, following = [before], head.id * FACTS_PER_ENTRY
    for part in parts:
        digits = str(following)
        if part.startswith(digits) and not part[len(digits) : len(digits) + 1].isdigit():
            marked.append(_NEXT_NUMBER + part[len(digits) :])
            following += 1
        else:
            marked.append(_NUMBER + part)
    return "".join(marked)


def _without_marks(head: Head, number: int, text: str) -> tuple[str, str]:
    """Message and answer. Raises ValueError where it is not what `with_marks` made."""
    before, *parts = text.split(_NEXT_NUMBER)
    text = "".join([before, *[f"{_NUMBER}{row}{part}" for row, part in enumerate(parts, head.id * FACTS_PER_ENTRY)]])
    for mark, words in reversed(_standing_for(head, number)):
        text = text.replace(mark, words)
    message, answer = text.split(_BETWEEN)
    return message, answer


def _standing_for(head: Head, number: int) -> list[tuple[str, str]]:
    """What is replaced, in this order, and by which mark."""
    entry, message_id, scan_point, operator, occurred_at, recorded_at = head
    found = [
        (_MESSAGE_ID, f'"message_id":"{message_id}"'),
        (_RECORDED_AT, _recorded(recorded_at)),
        (_ENTRY, f'"entry":{entry},'),
    ]
    if number == FIRST:
        return found
    if scan_point is not None:
        found.append((_SCAN_POINT, f'"scan_point":"{scan_point}"'))
    if operator is not None:
        found.append((_OPERATOR, f'"operator":"{operator}"'))
    if occurred_at is not None:
        text = text_of(occurred_at)
        # To the millisecond where it is a whole one: so it stands in most ways to write it.
        found.append((_OCCURRED_AT, text[:-4] if occurred_at % 1000 == 0 else text[:-1]))
        if occurred_at % _SECOND == 0:
            found.append((_WHOLE_SECOND, f"{text[:-8]}Z"))
    return found


@lru_cache(64)
def _recorded(at: Moment) -> str:
    """The entries of one batch share it."""
    return f'"recorded_at":"{text_of(at)}"'


# ------------------------------------------------------------------------------------------------------------
# Dictionaries


def trained(texts: Sequence[str]) -> bytes | None:
    """A dictionary for texts like these, which `with_marks` made; None where they are too few or too much alike."""
    try:
        return zstandard.train_dictionary(SIZE, [text.encode() for text in texts], level=_TRAINED_FOR).as_bytes()
    except zstandard.ZstdError:
        return None


class Codec:
    """The dictionaries of one store, those of the package among them, and what packs and unpacks with them.

    Safe to share between threads: each has its own compressors, over dictionaries that all share.
    """

    def __init__(self, own: Mapping[int, bytes] | None = None) -> None:
        """With dictionaries of the store's own, by their numbers."""
        self.newest = PACKAGED
        """What new values are packed with."""
        self._dictionaries = {number: _packaged() for number in (FIRST, PACKAGED)}
        self._compressors = _Compressors(self._dictionaries)
        for number, content in (own or {}).items():
            self.add(number, content)

    def __contains__(self, number: int) -> bool:
        return number in self._dictionaries

    def add(self, number: int, content: bytes) -> None:
        """Learn a dictionary of the store's own; it is the newest where no other has a higher number."""
        self._dictionaries[number] = _prepared(content, _LEVEL)
        self.newest = max(self.newest, number)

    def pack(self, head: Head, message: str, answer: str) -> bytes:
        """Message and answer as the journal keeps them. Raises ValueError unless both are canonical JSON."""
        return self.compressed([with_marks(head, message, answer)])[0]

    def compressed(self, texts: Sequence[str]) -> list[bytes]:
        """What `with_marks` made of several entries, as the journal keeps it."""
        number = self.newest
        first, compress = bytes((number,)), self._compressors.compressor(number).compress
        return [first + compress(text.encode()) for text in texts]

    def unpack(self, head: Head, packed: bytes) -> tuple[str, str]:
        """Message and answer. Raises BrokenEntry."""
        if not packed or packed[0] not in self._dictionaries:
            raise BrokenEntry(head.id, _lacking(packed[0]) if packed else "it is empty")
        number = packed[0]
        try:
            text = self._compressors.decompressor(number).decompress(packed[1:], allow_extra_data=False)
            return _without_marks(head, number, text.decode())
        except (zstandard.ZstdError, MemoryError, ValueError) as error:
            raise BrokenEntry(head.id, "its message and answer are not as they were packed") from error


def _lacking(number: int) -> str:
    if number in OWN:
        return f"it needs dictionary {number} of the store, which is not there: put that back from a backup"
    return f"it needs dictionary {number}, which this version of Partkin lacks"


class _Compressors(threading.local):
    def __init__(self, dictionaries: Mapping[int, zstandard.ZstdCompressionDict]) -> None:
        self._dictionaries = dictionaries
        self._compressors: dict[int, zstandard.ZstdCompressor] = {}
        self._decompressors: dict[int, zstandard.ZstdDecompressor] = {}

    def compressor(self, number: int) -> zstandard.ZstdCompressor:
        if number not in self._compressors:
            self._compressors[number] = zstandard.ZstdCompressor(
                dict_data=self._dictionaries[number],
                compression_params=_parameters(_LEVEL if number in OWN else _PACKAGED_LEVEL),
            )
        return self._compressors[number]

    def decompressor(self, number: int) -> zstandard.ZstdDecompressor:
        if number not in self._decompressors:
            self._decompressors[number] = zstandard.ZstdDecompressor(
                dict_data=self._dictionaries[number], format=zstandard.FORMAT_ZSTD1_MAGICLESS
            )
        return self._decompressors[number]


@cache
def _packaged() -> zstandard.ZstdCompressionDict:
    return _prepared((resources.files("partkin.store.journal") / "journal_1.dictionary").read_bytes(), _PACKAGED_LEVEL)


def _prepared(content: bytes, level: int) -> zstandard.ZstdCompressionDict:
    dictionary = zstandard.ZstdCompressionDict(content)
    dictionary.precompute_compress(compression_params=_parameters(level))
    return dictionary


@cache
def _parameters(level: int) -> zstandard.ZstdCompressionParameters:
    return zstandard.ZstdCompressionParameters.from_level(
        level,
        source_size=_USUAL,
        dict_size=SIZE,
        format=zstandard.FORMAT_ZSTD1_MAGICLESS,
        write_content_size=1,
        write_checksum=0,
        write_dict_id=0,
    )
