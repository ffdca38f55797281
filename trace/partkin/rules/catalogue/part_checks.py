"""Whether a part's row holds together, and a numbering's: what it is, how it is traced, how its label reads."""

from __future__ import annotations

import re
from collections.abc import Iterator, KeysView
from datetime import date
from itertools import count

from partkin.rules.catalogue import Numbering, Part
from partkin.rules.catalogue.sheets import Mistake, Sheets
from partkin.rules.check_characters import SCHEMES
from partkin.rules.identification import Labels, ScanError, name_item, read_scan
from partkin.rules.numbering import capacity, number, period, random_body, running_body, weak

LABEL_GROUPS = frozenset({"serial", "lot", "date", "check"})

_NUMBERS_TRIED = 200
"""Numbers tried against a label pattern: enough to meet every check character of every scheme."""

_DAYS_TRIED = (date(2027, 1, 1), date(2028, 2, 29), date(2028, 12, 31), date(2099, 12, 31))
"""The first and the last day of a year, a day 366, and a first day that ISO 8601 counts to the year before."""

_NO_CHECKS = {
    "code39-mod-43": "a scheme whose check is never a blank, as no number may end so",
    "vin": "a scheme whose check stands at the end, as that of a VIN does not",
}


def part_mistakes(part: Part, numbering: Numbering | None, sheets: Sheets) -> Iterator[Mistake]:
    """What is wrong in a part's row. `numbering` is the scheme that it names, where that could be read."""
    yield from _nature(part, sheets)
    yield from _identity(part, sheets)
    groups = re.compile(part.label_pattern or "").groupindex.keys()
    in_label = [*_label(part, groups, sheets), *_label_check(part, groups, numbering, sheets)]
    yield from in_label
    if part.label_pattern is not None and part.trace == "serial" and numbering is not None and not in_label:
        yield from _issued_labels(part, numbering, sheets)


def numbering_mistakes(numbering: Numbering, sheets: Sheets) -> Iterator[Mistake]:
    """What is wrong in the row of a numbering scheme."""
    for column, expected in _unfit(numbering):
        yield sheets.mistake(numbering, column, expected)
    easy = weak(numbering)
    if easy is not None:
        yield sheets.mistake(numbering, "digits", easy)


# ------------------------------------------------------------------------------------------------------------
# What a part is


def _nature(part: Part, sheets: Sheets) -> Iterator[Mistake]:
    if part.sold and part.packaging:
        yield sheets.mistake(part, "packaging", "no, as it is sold; what is packed into packaging is sold")
    what = "sold" if part.sold else "packaging"
    if (part.sold or part.packaging) and not part.made:
        yield sheets.mistake(part, "made", f"yes, as it is {what}")
    if (part.sold or part.packaging) and part.trace != "serial":
        yield sheets.mistake(part, "trace", f"serial, as it is {what}")
    if part.receipts and part.made:
        yield sheets.mistake(part, "receipts", "no, as what is made here is not received")
    if part.receipts and part.trace == "none":
        yield sheets.mistake(part, "receipts", "no, as it is not traced")
    if part.supplier_part is not None and part.supplier is None:
        yield sheets.mistake(part, "supplier", "the supplier whose part number is given")
    if part.floor_life_hours is not None and part.trace != "lot":
        yield sheets.mistake(part, "floor_life_hours", "nothing, unless traced by lot")


def _identity(part: Part, sheets: Sheets) -> Iterator[Mistake]:
    made_serial = part.made and part.trace == "serial"
    if part.numbering is not None and not made_serial:
        yield sheets.mistake(part, "numbering", "nothing, unless made and traced by serial")
    readable = (part.numbering, part.label_pattern, part.gtin, part.cpid)
    if made_serial and all(rule is None for rule in readable):
        yield sheets.mistake(part, "numbering", "a scheme of numbering.csv, or a label rule")


# ------------------------------------------------------------------------------------------------------------
# Labels


def _label(part: Part, groups: KeysView[str], sheets: Sheets) -> Iterator[Mistake]:
    if part.label_pattern is None:
        return
    for group in sorted(groups - LABEL_GROUPS):
        expected = "only the groups serial, lot, date, check"
        yield sheets.mistake(part, "label_pattern", expected, f"a group {group}")
    if part.trace == "none":
        yield sheets.mistake(part, "label_pattern", "nothing, as the part is not traced")
    elif part.trace not in groups:
        yield sheets.mistake(part, "label_pattern", f"a group (?P<{part.trace}>…), as trace is {part.trace}")
    if part.trace == "lot" and "serial" in groups:
        yield sheets.mistake(part, "label_pattern", "no group serial, as trace is lot")


def _label_check(part: Part, groups: KeysView[str], numbering: Numbering | None, sheets: Sheets) -> Iterator[Mistake]:
    if part.label_check is None:
        if "check" in groups:
            yield sheets.mistake(part, "label_check", "the name of a scheme, as the pattern has a group check")
    elif part.label_pattern is not None and "check" not in groups:
        yield sheets.mistake(part, "label_pattern", "a group (?P<check>…), as label_check names a scheme")
    elif part.label_pattern is None and part.numbering is None:
        yield sheets.mistake(part, "label_check", "nothing, as nothing is read or issued by it")
    elif numbering is not None and numbering.check != part.label_check:
        expected = f"the check of numbering {numbering.scheme}, which is {numbering.check or 'none'}"
        yield sheets.mistake(part, "label_check", expected)


# ------------------------------------------------------------------------------------------------------------
# Numbers


def _unfit(numbering: Numbering) -> Iterator[tuple[str, str]]:
    """The columns that do not go with the check, and what is expected there."""
    if numbering.check is None:
        return
    if numbering.check in _NO_CHECKS:
        yield "check", _NO_CHECKS[numbering.check]
        return
    scheme, prefix = SCHEMES[numbering.check], numbering.prefix or ""
    foreign = [character for character in prefix if character not in scheme.alphabet]
    if foreign:
        yield "prefix", f"only characters that {scheme.name} takes, which does not take {foreign[0]!r}"
    if not set("0123456789") <= set(scheme.alphabet):
        if numbering.date is not None:
            yield "date", f"nothing, as {scheme.name} takes no digits"
        if numbering.body == "running":
            yield "body", f"random, as {scheme.name} takes no digits"
    length = len(prefix) + len(period(numbering, _DAYS_TRIED[0])) + numbering.digits
    if length not in scheme.body_lengths:
        most = scheme.body_lengths[-1]
        yield "digits", f"so few that no more than {most} characters, not {length}, come before {scheme.name}"


def _issued_labels(part: Part, numbering: Numbering, sheets: Sheets) -> Iterator[Mistake]:
    """The first number issued that its own label rule does not read as it is."""
    if any(_unfit(numbering)):
        return
    labels = Labels([part])
    for day in _DAYS_TRIED if numbering.date is not None else _DAYS_TRIED[:1]:
        for body in _bodies_tried(numbering):
            issued = number(numbering, period(numbering, day), body)
            if not _reads_as_it_is(issued, part, labels, day):
                expected = f"a pattern that reads the issued number {issued}, all of it as serial"
                yield sheets.mistake(part, "label_pattern", expected)
                return


def _bodies_tried(numbering: Numbering) -> Iterator[str]:
    if numbering.body == "running":
        most = capacity(numbering)
        for running in (*range(1, min(_NUMBERS_TRIED, most) + 1), most):
            yield running_body(numbering, running)
    else:
        # In a fixed order, so that the same catalogue always gives the same mistakes.
        steps = count()
        for _ in range(_NUMBERS_TRIED):
            yield random_body(numbering, lambda alphabet: alphabet[_scattered(next(steps)) % len(alphabet)])


def _scattered(step: int) -> int:
    return step * step + step // 7


def _reads_as_it_is(issued: str, part: Part, labels: Labels, day: date) -> bool:
    try:
        named = name_item(read_scan(issued), labels, today=day)
    except ScanError:
        return False
    return [(one.part, one.serial) for one in named] == [(part.part, issued)]
