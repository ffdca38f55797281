"""Message and answer of an entry, packed into few bytes, and read again to the last character.

The first byte of a packed value is the number of the dictionary that it needs; the dictionaries stand beside this file
and are never changed nor removed. After it comes a Zstandard frame (RFC 8878) without magic number and dictionary
number. In it is the text of the message, a NUL and the text of the answer, as UTF-8. What the entry's other columns or
its number say already is one control character in there: canonical JSON (RFC 8785) has none.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from functools import cache, lru_cache
from importlib import resources
from typing import Final

import zstandard

from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.moments import Moment, text_of

NEWEST: Final = 1
"""The dictionary that new values are packed with."""

_NEWEST: Final = bytes((NEWEST,))
_LEVEL: Final = 6
_BETWEEN, _MESSAGE_ID, _RECORDED_AT, _ENTRY, _NEXT_NUMBER = _MARKS = "\x00\x01\x02\x03\x04"
_NUMBER: Final = '"number":'


class BrokenEntry(Exception):
    """An entry whose message and answer cannot be read."""

    def __init__(self, entry: int, why: str) -> None:
        self.entry = entry
        super().__init__(f"Entry {entry} cannot be read: {why}.")


def pack(entry: int, message_id: str | None, recorded_at: Moment, message: str, answer: str) -> bytes:
    """Message and answer as the journal keeps them. Raises ValueError unless both are canonical JSON."""
    return compressed([with_marks(entry, message_id, recorded_at, message, answer)])[0]


def compressed(texts: Sequence[str]) -> list[bytes]:
    """What `with_marks` made of several entries, as the journal keeps it."""
    compress = _own.compressor(NEWEST).compress
    return [_NEWEST + compress(text.encode()) for text in texts]


def unpack(entry: int, message_id: str | None, recorded_at: Moment, packed: bytes) -> tuple[str, str]:
    """Message and answer. Raises BrokenEntry."""
    if not packed or packed[0] not in range(1, NEWEST + 1):
        needed = f"it needs dictionary {packed[0]}, which this version of Partkin lacks" if packed else "it is empty"
        raise BrokenEntry(entry, needed)
    try:
        text = _own.decompressor(packed[0]).decompress(packed[1:], allow_extra_data=False).decode()
        message, answer = _without_marks(entry, message_id, recorded_at, text).split(_BETWEEN)
    except (zstandard.ZstdError, MemoryError, ValueError) as error:
        raise BrokenEntry(entry, "its message and answer are not as they were packed") from error
    return message, answer


def with_marks(entry: int, message_id: str | None, recorded_at: Moment, message: str, answer: str) -> str:
    """What is compressed. Raises ValueError unless both are canonical JSON."""
    if any(mark in message or mark in answer for mark in _MARKS):
        raise ValueError(f"entry {entry} is no canonical JSON: it has a control character")
    text = message + _BETWEEN + answer
    for mark, words in _standing_for(entry, message_id, recorded_at):
        text = text.replace(words, mark)
    before, *parts = text.split(_NUMBER)
    marked, following = [before], entry * FACTS_PER_ENTRY
    for part in parts:
        digits = str(following)
        if part.startswith(digits) and not part[len(digits) : len(digits) + 1].isdigit():
            marked.append(_NEXT_NUMBER + part[len(digits) :])
            following += 1
        else:
            marked.append(_NUMBER + part)
    return "".join(marked)


def _without_marks(entry: int, message_id: str | None, recorded_at: Moment, text: str) -> str:
    before, *parts = text.split(_NEXT_NUMBER)
    numbered = (f"{_NUMBER}{number}{part}" for number, part in enumerate(parts, entry * FACTS_PER_ENTRY))
    text = before + "".join(numbered)
    for mark, words in _standing_for(entry, message_id, recorded_at):
        text = text.replace(mark, words)
    return text


def _standing_for(entry: int, message_id: str | None, recorded_at: Moment) -> tuple[tuple[str, str], ...]:
    """What is replaced, and by which character. Only columns that a seal covers by themselves."""
    return (
        (_MESSAGE_ID, f'"message_id":"{message_id}"'),
        (_RECORDED_AT, _recorded(recorded_at)),
        (_ENTRY, f'"entry":{entry},'),
    )


@lru_cache(64)
def _recorded(at: Moment) -> str:
    """The entries of one batch share it."""
    return f'"recorded_at":"{text_of(at)}"'


# ------------------------------------------------------------------------------------------------------------
# Compressors: each thread has its own, over dictionaries that all share


class _Own(threading.local):
    def __init__(self) -> None:
        self._compressors: dict[int, zstandard.ZstdCompressor] = {}
        self._decompressors: dict[int, zstandard.ZstdDecompressor] = {}

    def compressor(self, number: int) -> zstandard.ZstdCompressor:
        if number not in self._compressors:
            self._compressors[number] = zstandard.ZstdCompressor(
                dict_data=_dictionary(number), compression_params=_PARAMETERS
            )
        return self._compressors[number]

    def decompressor(self, number: int) -> zstandard.ZstdDecompressor:
        if number not in self._decompressors:
            self._decompressors[number] = zstandard.ZstdDecompressor(
                dict_data=_dictionary(number), format=zstandard.FORMAT_ZSTD1_MAGICLESS
            )
        return self._decompressors[number]


@cache
def _dictionary(number: int) -> zstandard.ZstdCompressionDict:
    file = resources.files("partkin.store") / f"journal_{number}.dictionary"
    dictionary = zstandard.ZstdCompressionDict(file.read_bytes())
    dictionary.precompute_compress(compression_params=_PARAMETERS)
    return dictionary


_PARAMETERS: Final = zstandard.ZstdCompressionParameters.from_level(
    _LEVEL, format=zstandard.FORMAT_ZSTD1_MAGICLESS, write_content_size=1, write_checksum=0, write_dict_id=0
)
_own: Final = _Own()
