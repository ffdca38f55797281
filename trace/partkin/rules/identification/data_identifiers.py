"""ASC MH10 data identifiers: up to three digits and a letter in front of a value, as on suppliers' labels.

Source: ANSI MH10.8.2 (ISO/IEC 15418), for the identifiers that name a part, an item, a lot, a quantity or a date. Any
other identifier is read without a look at its value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date

from partkin.rules.identification.dates import day_of, monday_of
from partkin.rules.identification.linters import LINTERS, Fault, Linter
from partkin.rules.identification.readings import Element, ScanError, in_words

_FIELD = re.compile("([0-9]{0,3}[A-Z])(.*)", flags=re.DOTALL)
_NOT_PRINTABLE = re.compile("[^ -~]")


def _of_form(pattern: str, needed: str, content: Linter | None = None, length: int | None = None) -> Linter:
    """A rule for the form of a value, then one for the content of its first characters."""
    fits = re.compile(pattern).fullmatch

    def linter(text: str) -> Fault | None:
        if not fits(text):
            return Fault(0, f"has {text} where {needed} is needed")
        return content(text[:length]) if content else None

    return linter


_WEEK = _of_form("[0-9]*(0[1-9]|[1-4][0-9]|5[0-3])", "a week from 01 to 53 at the end")
_NUMBER = r"[0-9]{1,9}(\.[0-9]{1,9})?"

_VALUES: Mapping[str, Linter] = {
    "Q": _of_form(_NUMBER, "a quantity"),
    "7Q": _of_form(_NUMBER + "[A-Z0-9]{2}", "a quantity with its unit, such as 50PC,"),
    "D": _of_form("[0-9]{6}", "a date YYMMDD", LINTERS["yymmdd"]),
    "6D": _of_form("[0-9]{8}[A-Z0-9]{3}", "a date YYYYMMDD with its qualifier", LINTERS["yyyymmdd"], 8),
    "10D": _of_form("[0-9]{4}", "a week YYWW", _WEEK),
    "11D": _of_form("[0-9]{6}", "a week YYYYWW", _WEEK),
    "12D": _of_form("[0-9]{8}", "a date YYYYMMDD", LINTERS["yyyymmdd"]),
    "14D": _of_form("[0-9]{8}", "a date YYYYMMDD", LINTERS["yyyymmdd"]),
    "16D": _of_form("[0-9]{8}", "a date YYYYMMDD", LINTERS["yyyymmdd"]),
    "4L": _of_form("[A-Z]{2}", "a country code of two letters"),
}


def read_field(field: str, offset: int) -> Element:
    """Read one field, which begins after `offset` characters of the raw scan. Raises ScanError."""
    if bad := _NOT_PRINTABLE.search(field):
        sentence = f"A field of the label has {in_words(bad[0])}, which cannot stand there."
        raise ScanError("unreadable", sentence, offset + bad.start() + 1)
    found = _FIELD.fullmatch(field)
    if found is None:
        what = f"The field {field!r} begins with no data identifier." if field else "A field of the label is empty."
        raise ScanError("unreadable", what, offset + 1)
    identifier, value = found[1], found[2]
    if not value:
        raise ScanError("unreadable", f"The field ({identifier}) is empty.", offset + 1)
    linter = _VALUES.get(identifier)
    if linter and (fault := linter(value)):
        raise ScanError(fault.reason, f"({identifier}) {fault.words}.", offset + len(identifier) + fault.at + 1)
    return Element(identifier, value)


def pieces_of(values: Mapping[str, str]) -> int | None:
    """The quantity of a label, where it is one of whole pieces."""
    quantity = values.get("Q")
    if quantity is None and values.get("7Q", "")[-2:] in _PIECES:
        quantity = values["7Q"][:-2]
    return int(quantity) if quantity and quantity.isdigit() else None


_PIECES = frozenset({"PC", "EA"})
"""Units of 7Q (ANSI X12 data element 355)."""


def produced_on(values: Mapping[str, str], this_year: int) -> date | None:
    """The day of production, by what tells it best; a week, the date code of electronic parts, is its Monday.

    Raises ValueError for a date that does not exist.
    """
    if day := values.get("16D") or _qualified(values, "094"):
        return day_of(day, this_year, month_end=False)
    week = values.get("11D") or values.get("10D")
    return monday_of(week, this_year) if week else None


def expires_on(values: Mapping[str, str], this_year: int) -> date | None:
    """The last day of use. Raises ValueError for a date that does not exist."""
    day = values.get("14D") or _qualified(values, "036")
    return day_of(day, this_year, month_end=False) if day else None


def _qualified(values: Mapping[str, str], qualifier: str) -> str | None:
    """The date of 6D with a qualifier of ASC X12 data element 374: 094 manufactured, 036 expires."""
    written = values.get("6D", "")
    return written[:8] if written.endswith(qualifier, 8) else None
