"""Whether a part's row holds together: what it is, how it is traced, how its label reads."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date

from partkin.rules.catalogue import Part
from partkin.rules.catalogue.sheets import Mistake, Sheets
from partkin.rules.identification import Labels, ScanError, name_item, read_scan
from partkin.rules.serial_numbers import issued_serial

LABEL_GROUPS = frozenset({"serial", "lot", "date", "check"})

_NUMBERS_TRIED = 200
"""Running numbers tried against a label pattern: enough to meet every check character of every scheme."""


def part_mistakes(part: Part, sheets: Sheets) -> Iterator[Mistake]:
    """What is wrong in a part's row."""
    yield from _nature(part, sheets)
    yield from _serial_numbers(part, sheets)
    if part.label_pattern is not None:
        yield from _label(part, part.label_pattern, sheets)
    elif part.label_check is not None and part.serial_prefix is None:
        yield sheets.mistake(part, "label_check", "nothing, as nothing is read or issued by it")


def _nature(part: Part, sheets: Sheets) -> Iterator[Mistake]:
    if part.sold and not part.made:
        yield sheets.mistake(part, "made", "yes, as it is sold")
    if part.sold and part.trace != "serial":
        yield sheets.mistake(part, "trace", "serial, as it is sold")
    if part.receipts and part.made:
        yield sheets.mistake(part, "receipts", "no, as what is made here is not received")
    if part.receipts and part.trace == "none":
        yield sheets.mistake(part, "receipts", "no, as it is not traced")
    if part.supplier_part is not None and part.supplier is None:
        yield sheets.mistake(part, "supplier", "the supplier whose part number is given")


def _serial_numbers(part: Part, sheets: Sheets) -> Iterator[Mistake]:
    if (part.serial_prefix is None) != (part.serial_digits is None):
        column = "serial_prefix" if part.serial_prefix is None else "serial_digits"
        yield sheets.mistake(part, column, "both serial_prefix and serial_digits, or neither")
    made_serial = part.made and part.trace == "serial"
    if part.serial_prefix is not None and not made_serial:
        yield sheets.mistake(part, "serial_prefix", "nothing, unless made and traced by serial")
    readable = (part.serial_prefix, part.label_pattern, part.gtin, part.cpid)
    if made_serial and all(rule is None for rule in readable):
        yield sheets.mistake(part, "serial_prefix", "a serial_prefix with serial_digits, or a label rule")


def _label(part: Part, pattern: str, sheets: Sheets) -> Iterator[Mistake]:
    groups = re.compile(pattern).groupindex.keys()
    for group in sorted(groups - LABEL_GROUPS):
        expected = "only the groups serial, lot, date, check"
        yield sheets.mistake(part, "label_pattern", expected, f"a group {group}")
    if part.trace == "none":
        yield sheets.mistake(part, "label_pattern", "nothing, as the part is not traced")
    elif part.trace not in groups:
        yield sheets.mistake(part, "label_pattern", f"a group (?P<{part.trace}>…), as trace is {part.trace}")
    if part.trace == "lot" and "serial" in groups:
        yield sheets.mistake(part, "label_pattern", "no group serial, as trace is lot")
    if part.label_check is None and "check" in groups:
        yield sheets.mistake(part, "label_check", "the name of a scheme, as the pattern has a group check")
    elif part.label_check is not None and "check" not in groups:
        yield sheets.mistake(part, "label_pattern", "a group (?P<check>…), as label_check names a scheme")
    elif part.trace in groups:
        yield from _issued_labels(part, sheets)


def _issued_labels(part: Part, sheets: Sheets) -> Iterator[Mistake]:
    """The first number issued that its own label rule does not read as it is."""
    if part.serial_prefix is None or part.serial_digits is None or part.trace != "serial":
        return
    labels = Labels([part])
    for running in (*range(1, min(_NUMBERS_TRIED, 10**part.serial_digits)), 10**part.serial_digits - 1):
        try:
            number = issued_serial(part, running)
        except ValueError as error:
            yield sheets.mistake(part, "serial_prefix", f"a prefix fit for {part.label_check} ({error})")
            return
        if not _reads_as_it_is(number, part, labels):
            expected = f"a pattern that reads the issued number {number}, all of it as serial"
            yield sheets.mistake(part, "label_pattern", expected)
            return


def _reads_as_it_is(number: str, part: Part, labels: Labels) -> bool:
    try:
        named = name_item(read_scan(number), labels, today=date.min)
    except ScanError:
        return False
    return [(one.part, one.serial) for one in named] == [(part.part, number)]
