"""Ranges of serial numbers, as notices and forms list them: from a first to a last, without any that is not meant.

A number is read as what stands before its running number, the running number (the digits at the end of the body), and
the check characters where a scheme is given: at its end, in a VIN at position 9. Numbers follow each other where what
stands before and the count of digits are the same, and the running number is one more. A number without digits there,
or whose check characters are wrong, is a range of its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from partkin.rules.check_characters import DIGITS, CheckScheme

_VIN_CHECK = 8
"""Characters before the check of a VIN (49 CFR 565.15)."""


@dataclass(frozen=True, slots=True)
class Range:
    """Serial numbers that follow each other, both ends included and with their check characters."""

    first: str
    last: str
    count: int
    """How many there are."""


class _Reading(NamedTuple):
    before: str
    digits: int
    running: int


def compact(serials: Iterable[str], check: CheckScheme | None) -> list[Range]:
    """The fewest ranges that have exactly these serial numbers, and no other that could have been given.

    In order of what stands before the running number, then of its digits, then of the number itself.
    """
    ranges: list[Range] = []
    previous: _Reading | None = None
    for reading, serial in sorted((_read(serial, check), serial) for serial in set(serials)):
        if previous is not None and _follows(previous, reading):
            ranges[-1] = Range(ranges[-1].first, serial, ranges[-1].count + 1)
        else:
            ranges.append(Range(serial, serial, 1))
        previous = reading
    return ranges


def expand(serials: Range, check: CheckScheme | None) -> list[str]:
    """Every serial number of a range that `compact` gave for the same scheme."""
    if serials.count == 1:
        return [serials.first]
    before, digits, start = _read(serials.first, check)
    return [_whole(f"{before}{running:0{digits}d}", check) for running in range(start, start + serials.count)]


def check_ends(first: str, last: str, check: CheckScheme | None, bodies: bool) -> tuple[str, str]:
    """The ends of a range with their check characters, which are added where only the bodies were given.

    Raises ValueError for check characters that are wrong, and says which would be right; for characters or a length
    that the scheme does not take; for ends of different lengths; and for a first after the last.
    """
    if len(first) != len(last):
        raise ValueError(f"{first} has {len(first)} characters and {last} has {len(last)}; give ends of one length")
    start, end = (first, last) if bodies else (_split(first, check)[0], _split(last, check)[0])
    if start > end:
        raise ValueError(f"{first} comes after {last}; give the first serial number first")
    right = _checked(start, check), _checked(end, check)
    if not bodies:
        for given, expected in zip((first, last), right, strict=True):
            _same_check(given, expected, check)
    return right


def _checked(body: str, check: CheckScheme | None) -> str:
    try:
        return _whole(body, check)
    except ValueError as error:
        raise ValueError(f"{body} cannot have a check: {error}") from error


def _same_check(given: str, expected: str, check: CheckScheme | None) -> None:
    if given != expected:
        found, right = _split(given, check)[1], _split(expected, check)[1]
        raise ValueError(f"{given} has the check {found!r} where {right!r} would be right: {expected}")


def _read(serial: str, check: CheckScheme | None) -> _Reading:
    body, _ = _split(serial, check)
    before = body.rstrip(DIGITS)
    digits = len(body) - len(before)
    if digits and _is_whole(serial, body, check):
        return _Reading(before, digits, int(body[len(before) :]))
    return _Reading(serial, 0, 0)


def _follows(previous: _Reading, reading: _Reading) -> bool:
    """Of two numbers without digits, neither follows the other."""
    return reading == previous._replace(running=previous.running + 1)


def _is_whole(serial: str, body: str, check: CheckScheme | None) -> bool:
    try:
        return serial == _whole(body, check)
    except ValueError:
        return False


def _split(serial: str, check: CheckScheme | None) -> tuple[str, str]:
    """The body and the check characters."""
    if check is None:
        return serial, ""
    place = _VIN_CHECK if check.name == "vin" else max(0, len(serial) - check.length)
    after = place + check.length
    return serial[:place] + serial[after:], serial[place:after]


def _whole(body: str, check: CheckScheme | None) -> str:
    """The body with its check characters."""
    if check is None:
        return body
    place = _VIN_CHECK if check.name == "vin" else len(body)
    return body[:place] + check.compute(check.without_separators(body)) + body[place:]
