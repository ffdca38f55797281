"""What is suspected, in sentences for people who decide about it; days and times are those of UTC."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime, timedelta

from partkin.rules.messages import NamedItem
from partkin.rules.messages.criteria import (
    AnyOf,
    BuiltUnder,
    Measured,
    Produced,
    Received,
    SerialRange,
    Since,
    Suspects,
    Worked,
)

TitleOf = Callable[[str], str]
"""What a part is called in the catalogue, by its number; empty where that says nothing."""

UnitOf = Callable[[str, str], str]
"""In what a characteristic of a test plan is measured; empty where it has no unit."""

_LEVEL = "  "
_DAY = timedelta(days=1)


def _no_unit(_plan: str, _characteristic: str) -> str:
    return ""


def in_words(suspects: Suspects, title_of: TitleOf, unit_of: UnitOf = _no_unit) -> tuple[str, ...]:
    """Sentences, one a line: conditions, and below each, indented, what any of fulfils it."""
    first, *more = suspects.conditions
    lines = ["Suspected is any of this, and whatever it is or was in:", *_indented(first, title_of, unit_of)]
    for condition in more:
        lines += ["And of these only what was also affected by any of this:", *_indented(condition, title_of, unit_of)]
    if suspects.except_ is not None:
        lines.append("But not what is certainly affected by any of this; what possibly is stays, as possible:")
        lines += _indented(suspects.except_, title_of, unit_of)
    return tuple(lines)


def _indented(any_of: AnyOf, title_of: TitleOf, unit_of: UnitOf) -> Iterator[str]:
    return (_LEVEL + sentence for sentence in _sentences(any_of, title_of, unit_of))


def _sentences(any_of: AnyOf, title_of: TitleOf, unit_of: UnitOf) -> Iterator[str]:
    yield from _items(any_of.items, title_of)
    yield from (_serial_range(one, title_of) for one in any_of.serial_ranges)
    yield from (_received(one, title_of) for one in any_of.received)
    yield from (_produced(one, title_of) for one in any_of.produced)
    yield from map(_worked, any_of.worked)
    yield from (_measured(one, unit_of) for one in any_of.measured)
    yield from map(_built_under, any_of.built_under)


def _part(number: str, title_of: TitleOf) -> str:
    title = title_of(number)
    return f"{number} ({title})" if title else number


def _items(items: Iterable[NamedItem], title_of: TitleOf) -> Iterator[str]:
    """One sentence for the lots of a part, and one for its serial items, in the order in which they are named."""
    lots: dict[str, list[str]] = {}
    serials: dict[str, list[str]] = {}
    for item in items:
        if item.lot is not None:
            lots.setdefault(item.part, []).append(item.lot)
        if item.serial is not None:
            serials.setdefault(item.part, []).append(item.serial)
    for part, codes in lots.items():
        them = "it" if len(codes) == 1 else "them"
        also = f"and the serial numbers that belong to {them}"
        yield f"{_part(part, title_of)}: {_counted('lot', codes)}, {also}."
    for part, codes in serials.items():
        yield f"{_part(part, title_of)}: {_counted('serial number', codes)}."


def _counted(noun: str, codes: list[str]) -> str:
    if len(codes) == 1:
        return f"{noun} {codes[0]}"
    return f"{noun}s {', '.join(codes[:-1])} and {codes[-1]}"


def _serial_range(serials: SerialRange, title_of: TitleOf) -> str:
    check = ", given without their check characters" if serials.without_check else ""
    return f"{_part(serials.part, title_of)}: serial numbers {serials.from_} to {serials.to}, both included{check}."


def _received(received: Received, title_of: TitleOf) -> str:
    of_part = "" if received.part is None else f" of {_part(received.part, title_of)}"
    return f"All{of_part} that supplier {received.supplier} delivered {_time(received)}."


def _produced(produced: Produced, title_of: TitleOf) -> str:
    by = "" if produced.supplier is None else f" and delivered by supplier {produced.supplier}"
    return f"{_part(produced.part, title_of)}: all produced {_days(produced.from_, produced.to)}{by}."


def _worked(worked: Worked) -> str:
    where = "" if worked.scan_point is None else f" at scan point {worked.scan_point}"
    who = "" if worked.operator is None else f" by operator {worked.operator}"
    done = "worked on" if worked.instrument is None else f"tested on instrument {worked.instrument}"
    return f"Whatever was {done}{where}{who} {_time(worked)}, as it was from that moment on."


def _measured(measured: Measured, unit_of: UnitOf) -> str:
    limits = (("at least", measured.at_least), ("at most", measured.at_most))
    between = " and ".join(f"{words} {value:.15g}" for words, value in limits if value is not None)
    value = f"{between} {unit_of(measured.plan, measured.characteristic)}".rstrip()
    return f"Whatever test plan {measured.plan} once found with {measured.characteristic} {value}, {_time(measured)}."


def _built_under(built: BuiltUnder) -> str:
    if built.to is None:
        revisions = f"revision {built.from_} or a later one"
    elif built.to == built.from_:
        revisions = f"revision {built.from_}"
    else:
        revisions = f"revisions {built.from_} to {built.to}"
    return f"Whatever was worked on under {revisions} of the catalogue, as it was from that moment on."


def _time(time: Since) -> str:
    """A time; in whole days where it is one of whole days."""
    since, until = _in_utc(time.from_), None if time.to is None else _in_utc(time.to)
    if until is None:
        return f"since {since.date() if _is_midnight(since) else _minute(since)}"
    if _is_midnight(since) and _is_midnight(until):
        return _days(since.date(), until.date() - _DAY)
    return f"from {_minute(since)} until {_minute(until)}"


def _days(first: date, last: date) -> str:
    return f"on {first}" if first == last else f"from {first} to {last}, both days included"


def _in_utc(moment: datetime) -> datetime:
    """What lies beyond the calendar's ends is at its ends."""
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        return datetime.min.replace(tzinfo=UTC) if moment.year == 1 else datetime.max.replace(tzinfo=UTC)


def _is_midnight(moment: datetime) -> bool:
    return moment.time() == datetime.min.time()


def _minute(moment: datetime) -> str:
    """A moment, as exactly as it was given."""
    whole = moment.second == moment.microsecond == 0
    return f"{moment.replace(tzinfo=None).isoformat(' ', 'minutes' if whole else 'auto')} UTC"
