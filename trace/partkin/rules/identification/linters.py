"""Rules for the content of single components of GS1 element strings, under the names of the GS1 syntax dictionary.

Source: GS1 Barcode Syntax Dictionary and its linters (2025), GS1 General Specifications chapter 3. Each linter takes a
component whose characters and length already are those of its format.
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from partkin.rules.check_characters import CSET_82, SCHEMES
from partkin.rules.identification.readings import ScanReason


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a value."""

    at: int
    """Index of the first character concerned."""
    words: str
    """To follow the name of the element: "has month 13"."""
    reason: ScanReason = "unreadable"


Linter = Callable[[str], Fault | None]

FORM_ONLY = frozenset(
    {"couponcode", "couponposoffer", "iso3166", "iso3166999", "iso3166alpha2", "iso4217", "packagetype"}
)
"""Lists of codes that others keep and change: a line must not stop because ours is older than the label."""

_SHORTEST_COMPANY_PREFIX = 4
_MOD_10 = SCHEMES["gs1-mod-10"]
_PAIR = SCHEMES["gs1-check-pair"]


def _like(pattern: str, needed: str) -> Linter:
    fits = re.compile(pattern).fullmatch

    def linter(text: str) -> Fault | None:
        return None if fits(text) else Fault(0, f"has {text} where {needed} is needed")

    return linter


def _csum(text: str) -> Fault | None:
    expected = _MOD_10.compute(text[:-1])
    if text[-1] == expected:
        return None
    words = f"has check digit {text[-1]} where {expected} is expected"
    return Fault(len(text) - 1, words, "check-character-wrong")


def _csumalpha(text: str) -> Fault | None:
    body, pair = text[:-2], text[-2:]
    if len(pair) < _PAIR.length or len(body) not in _PAIR.body_lengths:
        return Fault(0, f"has {len(text)} characters where 2 to 25, check character pair included, are needed")
    expected = _PAIR.compute(body)
    if pair == expected:
        return None
    words = f"has check character pair {pair} where {expected} is expected"
    return Fault(len(body), words, "check-character-wrong")


def _company_prefix(start: int) -> Linter:
    def linter(text: str) -> Fault | None:
        prefix = text[start : start + _SHORTEST_COMPANY_PREFIX]
        for index, character in enumerate(prefix, start):
            if character not in "0123456789":
                return Fault(index, f"has {character!r} where the digits of a GS1 company prefix are needed")
        if len(prefix) < _SHORTEST_COMPANY_PREFIX:
            return Fault(0, "is too short to begin with a GS1 company prefix")
        return None

    return linter


def _date(year_digits: int, *, day_00: bool) -> Linter:
    def linter(text: str) -> Fault | None:
        if len(text) != year_digits + 4:
            return Fault(0, f"has {len(text)} digits where a date of {year_digits + 4} is needed")
        # Two digits of a year tell leap years well enough: 2000 was one, and the century is settled when it is named.
        year, month, day = int(text[:-4]), int(text[-4:-2]), int(text[-2:])
        if not 1 <= month <= 12:
            return Fault(year_digits, f"has month {text[-4:-2]}")
        last = monthrange(2000 + year if year_digits == 2 else max(year, 1), month)[1]
        if not (0 if day_00 else 1) <= day <= last:
            return Fault(year_digits + 2, f"has day {text[-2:]} in month {text[-4:-2]}")
        return None

    return linter


_HOUR = _like("[01][0-9]|2[0-3]", "an hour from 00 to 23")
_MINUTE = _like("[0-5][0-9]", "a minute from 00 to 59")


def _hhmi(text: str) -> Fault | None:
    if fault := _HOUR(text[:2]):
        return fault
    fault = _MINUTE(text[2:])
    return fault and Fault(min(2, len(text) - 1), fault.words)


def _iban(text: str) -> Fault | None:
    for index, character in enumerate(text):
        if not (character.isdigit() or character.isupper()):
            return Fault(index, f"has {character!r} where digits and capital letters are needed")
    if not re.fullmatch("[A-Z]{2}[0-9]{2}.{1,30}", text):
        return Fault(0, "is no bank account number: country, two check digits, up to 30 characters")
    number = "".join(str(int(character, 36)) for character in text[4:] + text[:4])
    if int(number) % 97 == 1:
        return None
    return Fault(2, f"has check digits {text[2:4]}, which do not fit", "check-character-wrong")


def _piece_of_total(text: str) -> Fault | None:
    half, odd = divmod(len(text), 2)
    if odd:
        return Fault(0, "needs as many digits for the piece as for the total")
    piece, total = text[:half], text[half:]
    if not int(piece):
        return Fault(0, f"has piece {piece}")
    if not int(total):
        return Fault(half, f"has a total of {total} pieces")
    return Fault(0, f"has piece {piece} of only {total}") if piece > total else None


def _position_in_sequence(text: str) -> Fault | None:
    parts = re.fullmatch("([1-9][0-9]*)/([1-9][0-9]*)", text)
    if parts and int(parts[1]) <= int(parts[2]):
        return None
    return Fault(0, f"has {text} where a position such as 1/2 is needed")


def _at_most(most: int) -> Linter:
    def linter(text: str) -> Fault | None:
        return Fault(0, f"has {text}, which is above {most}") if int(text) > most else None

    return linter


LINTERS: Mapping[str, Linter] = {
    "csum": _csum,
    "csumalpha": _csumalpha,
    "gcppos1": _company_prefix(0),
    "gcppos2": _company_prefix(1),
    "hasnondigit": _like(".*[^0-9].*", "at least one character that is no digit"),
    "hh": _HOUR,
    "hhmi": _hhmi,
    "hyphen": _like("-+", "a hyphen"),
    "iban": _iban,
    "importeridx": _like("[-0-9A-Z_a-z]", "a letter, a digit, - or _"),
    "iso5218": _like("[0129]", "0, 1, 2 or 9"),
    "latitude": _at_most(180_0000000),
    "longitude": _at_most(360_0000000),
    "mediatype": _like("0[1-9]|10|[89][0-9]", "a media type, 01 to 10 or 80 to 99,"),
    "mi": _MINUTE,
    "nonzero": _like(".*[1-9].*", "a number above zero"),
    "nozeroprefix": _like("[1-9].*", "a number without leading zero"),
    "pcenc": _like("([^%]|%[0-9A-Fa-f]{2})*", "text with each % followed by two hexadecimal digits"),
    "pieceoftotal": _piece_of_total,
    "posinseqslash": _position_in_sequence,
    "ss": _like("[0-5][0-9]", "a second from 00 to 59"),
    "winding": _like("[019]", "0, 1 or 9"),
    "yesno": _like("[01]", "0 or 1"),
    "yymmd0": _date(2, day_00=True),
    "yymmdd": _date(2, day_00=False),
    "yyyymmdd": _date(4, day_00=False),
    "zero": _like("0+", "0"),
}

CHARACTERS: Mapping[str, str] = {
    "N": "0123456789",
    "X": CSET_82,
    "Y": "#-/0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ",
    "Z": "-0123456789=ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz",
}
"""The characters of each type of component: digits, CSET 82, CSET 39, base64url with its padding."""
