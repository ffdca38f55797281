"""How a serial number of a scheme is read, in words: for notices and forms."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from partkin.rules.catalogue import Numbering
from partkin.rules.check_characters import SCHEMES

_DATES: Final[Mapping[str, tuple[str, str, str]]] = {
    "year": ("2 digits of the year", "26 is 2026", "year"),
    "year-month": ("4 digits, 2 each of the year and the month", "2603 is March 2026", "month"),
    "year-week": ("4 digits, 2 each of the year and the week by ISO 8601", "2610 is week 10 of 2026", "week"),
    "year-day": ("5 digits, 2 of the year and 3 of the day in it", "26061 is 2 March 2026", "day"),
    "date": ("6 digits, 2 each of the year, the month and the day", "260302 is 2 March 2026", "day"),
}
"""Date element: what it is made of, an example, and the period in which a running number begins anew."""


def how_to_read(numbering: Numbering | None) -> str:
    """A few sentences; without a scheme, only where the number is."""
    where = "On the unit's own label"
    if numbering is None:
        return f"{where}."
    pieces = [f"begins with {numbering.prefix}"] if numbering.prefix else []
    period = ""
    if numbering.date is not None:
        made_of, example, period = _DATES[numbering.date]
        pieces.append(f"has the date on which it was given as {made_of} ({example})")
    pieces.append(_body(numbering, period))
    if numbering.check is not None:
        length = SCHEMES[numbering.check].length
        checks = "a check character" if length == 1 else f"{length} check characters"
        pieces.append(f"ends in {checks} over all before it ({numbering.check})")
    return f"{where}. It {', then it '.join(pieces)}."


def _body(numbering: Numbering, period: str) -> str:
    if numbering.body == "random":
        return f"has {numbering.digits} random characters"
    anew = f", from 1 in each {period}" if period else ""
    return f"has a running number of {numbering.digits} digits{anew}"
