"""Numbers that the plant gives: a prefix, the date, a body, and check characters over all of it.

A running body counts from 1 in each period. A random body does not tell how many there are, and is hard to guess: a
character is worth 5 bits where digits and letters may be used (32 of them), 4.4 bits where only letters may, and 3.3
bits where only digits may.

Sources: ISO 8601 (weeks, days of the year); GS1 General Specifications (SSCC: extension digit and company prefix, a
running body that fills 17 digits, gs1-mod-10). The letters left out of random bodies are common practice.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from itertools import count

from partkin.rules.catalogue import Numbering
from partkin.rules.check_characters import DIGITS, SCHEMES

_READABLE = DIGITS + "ABCDEFGHJKMNPQRSTVWXYZ"
"""Without I, L and O, which look like 1 and 0, and U, which looks like V."""

_ENOUGH = 10**6
"""With so many possible bodies, few guesses hit a number that was given (common practice)."""


class NumbersExhausted(ValueError):
    """A period in which every number has been given."""

    def __init__(self, numbering: Numbering) -> None:
        given = f"{capacity(numbering):,} numbers of {numbering.digits} digits"
        super().__init__(f"numbering {numbering.scheme} has given all {given}; let it have more digits")
        self.scheme = numbering.scheme


def period(numbering: Numbering, day: date) -> str:
    """The date element of a number given on this day: what the running number begins anew with; empty without date."""
    year = f"{day.year % 100:02d}"
    match numbering.date:
        case None:
            return ""
        case "year":
            return year
        case "year-month":
            return f"{year}{day.month:02d}"
        case "year-week":
            week_year, week, _ = day.isocalendar()
            return f"{week_year % 100:02d}{week:02d}"
        case "year-day":
            return f"{year}{day.timetuple().tm_yday:03d}"
        case "date":
            return f"{year}{day.month:02d}{day.day:02d}"


def number(numbering: Numbering, period: str, body: str) -> str:
    """The whole number. Raises ForeignCharacter or BodyLengthWrong where the check does not take what is before it."""
    before = f"{numbering.prefix or ''}{period}{body}"
    return before if numbering.check is None else before + SCHEMES[numbering.check].compute(before)


def running_body(numbering: Numbering, running: int) -> str:
    """The running number, from 1, filled with zeros. Raises NumbersExhausted beyond its digits."""
    if running > capacity(numbering):
        raise NumbersExhausted(numbering)
    return f"{running:0{numbering.digits}d}"


def random_body(numbering: Numbering, choose: Callable[[str], str]) -> str:
    """A random body; `choose` picks one character of an alphabet, as secrets.choice does."""
    alphabet = _alphabet(numbering)
    return "".join(choose(alphabet) for _ in range(numbering.digits))


def capacity(numbering: Numbering) -> int:
    """How many numbers there can be in one period."""
    bodies: int = len(_alphabet(numbering)) ** numbering.digits
    return bodies - 1 if numbering.body == "running" else bodies


def weak(numbering: Numbering) -> str | None:
    """What is expected instead of a random body that is too easy to guess; None where it is not."""
    if numbering.body == "running" or capacity(numbering) >= _ENOUGH:
        return None
    size = len(_alphabet(numbering))
    enough = next(digits for digits in count() if size**digits >= _ENOUGH)
    return f"{enough} or more, as a random body needs {_ENOUGH:,} possibilities to be hard to guess"


def _alphabet(numbering: Numbering) -> str:
    """The characters of a body."""
    if numbering.body == "running":
        return DIGITS
    if numbering.check is None:
        return _READABLE
    accepted = SCHEMES[numbering.check].alphabet
    return "".join(character for character in _READABLE if character in accepted)
