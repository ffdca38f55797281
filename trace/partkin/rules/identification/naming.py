"""From a reading to the part that it names."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date

from partkin.rules.identification.application_identifiers import APPLICATION_IDENTIFIERS
from partkin.rules.identification.data_identifiers import expires_on, pieces_of, produced_on
from partkin.rules.identification.dates import day_of
from partkin.rules.identification.element_strings import read_element_string
from partkin.rules.identification.labels import Labels
from partkin.rules.identification.named import Named, code
from partkin.rules.identification.plain_labels import match_plain
from partkin.rules.identification.readings import GS, Reading, ScanError


def name_item(reading: Reading, labels: Labels, *, today: date) -> tuple[Named, ...]:
    """Every part that a reading may name: several only where the labels of several parts look alike.

    Element strings and data identifiers are looked up in the catalogue. Plain text is matched with the label patterns;
    where none fits, it may be a part number or a GTIN by itself or, when the reader sent no symbology identifier, an
    element string. `today` settles the century of years with two digits.

    Raises ScanError: unknown-part, check-character-wrong, unreadable.
    """
    if reading.form == "plain":
        return _by_text(reading, labels, today)
    if reading.form == "mh10":
        return _by_data_identifiers(reading, labels, today)
    return _by_application_identifiers(reading, labels, today)


# ------------------------------------------------------------------------------------------------------------
# Plain text
# ------------------------------------------------------------------------------------------------------------


def _by_text(reading: Reading, labels: Labels, today: date) -> tuple[Named, ...]:
    text = reading.text
    named = match_plain(text, labels, today, len(reading.symbology or ""))
    if named:
        return named
    parts = labels.by_number.get(text, ())
    if not parts and reading.symbology is None and text.isdigit():
        parts = labels.by_gtin.get(text.zfill(14), ())
    if parts:
        return tuple(Named(part) for part in parts)
    if reading.symbology is None and (named := _unmarked(text, labels, today)):
        return named
    raise ScanError("unknown-part", f"No label rule of the catalogue fits {text!r}.")


def _unmarked(text: str, labels: Labels, today: date) -> tuple[Named, ...]:
    """An element string that nothing marks as one: only with a known part, and only if its values end for certain.

    A value of variable length ends at a separator or at the end of the text. If there is not one separator, the reader
    may be one that drops them, and a lot behind a serial number would be taken for its end.
    """
    try:
        reading = Reading("gs1", None, read_element_string(text, 0), text)
        named = _by_application_identifiers(reading, labels, today)
    except ScanError:
        return ()
    if GS in text or all(APPLICATION_IDENTIFIERS[element.key].fixed_length for element in reading.elements):
        return named
    sentence = (
        f"This may be the GS1 label {reading.shown()}, but nothing marks it as one, and without separators no one can "
        "tell where its values end: set the reader to send symbology identifiers."
    )
    raise ScanError("unreadable", sentence)


# ------------------------------------------------------------------------------------------------------------
# GS1 application identifiers
# ------------------------------------------------------------------------------------------------------------


def _by_application_identifiers(reading: Reading, labels: Labels, today: date) -> tuple[Named, ...]:
    values = {element.key: element.value for element in reading.elements}
    parts, serial = _gs1_parts(values, labels)
    if parts is None:
        return _by_number_alone(reading, ("00", "8004", "8003"), labels, today)
    if not parts:
        raise ScanError("unknown-part", f"No part of the catalogue has the number of the label {reading.shown()}.")
    quantity = values.get("30") or values.get("37")
    common = (
        values.get("10"),
        _date_of(lambda: _produced_on(values, today.year)),
        _date_of(lambda: _expires_on(values, today.year)),
        _at_least_one(int(quantity)) if quantity else None,
    )
    return tuple(Named(part, serial, *common) for part in parts)


def _gs1_parts(values: Mapping[str, str], labels: Labels) -> tuple[Sequence[str] | None, str | None]:
    """The parts of a GTIN or CPID, None where there is neither, and the serial number that belongs to it."""
    for ai in ("01", "03", "8006", "02", "8026"):
        if ai in values:
            serial = values.get("21")
            if ai == "8006" and serial is not None:
                serial = _piece_serial(serial, values[ai])
            return labels.by_gtin.get(values[ai][:14], ()), serial
    if "8010" in values:
        return labels.by_cpid.get(values["8010"], ()), values.get("8011")
    return None, None


def _piece_serial(serial: str, itip: str) -> str:
    """The serial number of one piece of a trade item in several: all its pieces bear the serial number of the whole.

    The blank keeps it apart from every serial number of GS1, which cannot have one.
    """
    piece, total = itip[14:16], itip[16:18]
    return serial if total == "01" else f"{serial} {piece}/{total}"


def _produced_on(values: Mapping[str, str], this_year: int) -> date | None:
    """Day 00 is the first of the month: the item may be that old."""
    written = values.get("11") or values.get("8008", "")[:6]
    return day_of(written, this_year, month_end=False) if written else None


def _expires_on(values: Mapping[str, str], this_year: int) -> date | None:
    """Day 00 is the last of the month (GS1 General Specifications 3.4)."""
    written = values.get("17") or values.get("7003", "")[:6]
    return day_of(written, this_year, month_end=True) if written else None


# ------------------------------------------------------------------------------------------------------------
# ASC MH10 data identifiers
# ------------------------------------------------------------------------------------------------------------


def _by_data_identifiers(reading: Reading, labels: Labels, today: date) -> tuple[Named, ...]:
    values = _single_values(reading)
    if not values.keys() & {"P", "1P", "25P"}:
        return _by_number_alone(reading, ("25S", "18S", "S"), labels, today)
    common = (
        code(_first(values, "S", "25S", "18S"), "serial number"),
        code(_first(values, "1T", "T", "25T"), "lot"),
        _date_of(lambda: produced_on(values, today.year)),
        _date_of(lambda: expires_on(values, today.year)),
        _at_least_one(pieces_of(values)),
        values.get("V"),
    )
    return tuple(Named(part, *common) for part in _mh10_parts(reading, values, labels))


_NAMING = frozenset({"P", "1P", "25P", "V", "18V", "S", "25S", "18S", "1T", "T", "25T", "Q", "7Q"})


def _single_values(reading: Reading) -> dict[str, str]:
    """The values by identifier. Raises ScanError for two values of one that tells what the label is on."""
    values: dict[str, str] = {}
    for element in reading.elements:
        if values.setdefault(element.key, element.value) != element.value and element.key in _NAMING:
            shown = f"({element.key}){values[element.key]} and ({element.key}){element.value}"
            raise ScanError("unreadable", f"The label holds {shown}, and so may name more than one item.")
    return values


def _first(values: Mapping[str, str], *keys: str) -> str | None:
    return next((values[key] for key in keys if key in values), None)


def _mh10_parts(reading: Reading, values: Mapping[str, str], labels: Labels) -> Sequence[str]:
    """The parts that all known numbers of the label belong to: ours (P) and the supplier's (1P, 25P)."""
    world_wide, company = values.get("25P", ""), values.get("18V", "")
    found = [
        parts
        for parts in (
            labels.by_number.get(values.get("P", "")),
            labels.by_supplier_part.get((values.get("V"), values.get("1P", ""))),
            labels.by_supplier_part.get((None, world_wide)),
            labels.by_supplier_part.get((None, world_wide.removeprefix(company))),
        )
        if parts
    ]
    if not found:
        raise ScanError("unknown-part", f"No part of the catalogue has a part number of the label {reading.shown()}.")
    common = [part for part in found[0] if all(part in parts for parts in found)]
    if not common:
        raise ScanError("unknown-part", f"The part numbers of the label {reading.shown()} are of different parts.")
    return common


# ------------------------------------------------------------------------------------------------------------
# Both
# ------------------------------------------------------------------------------------------------------------


def _by_number_alone(reading: Reading, keys: Sequence[str], labels: Labels, today: date) -> tuple[Named, ...]:
    """By the label patterns of the parts, as the label has a number of the item but none of its part."""
    for element in reading.elements:
        if element.key in keys and (named := match_plain(element.value, labels, today, None)):
            return named
    raise ScanError("unknown-part", f"The label {reading.shown()} has nothing that tells a part of the catalogue.")


def _date_of(reader: Callable[[], date | None]) -> date | None:
    try:
        return reader()
    except ValueError as error:
        raise ScanError("unreadable", f"A date of the label does not exist: {error}.") from error


def _at_least_one(pieces: int | None) -> int | None:
    if pieces == 0:
        raise ScanError("unreadable", "The label says that there are 0 pieces.")
    return pieces
