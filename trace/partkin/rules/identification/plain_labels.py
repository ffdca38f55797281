"""Plain labels: text that means something only by the label rule of a part."""

from __future__ import annotations

import re
from datetime import date

from partkin.rules.check_characters import CheckCharacterWrong, CheckScheme, ForeignCharacter
from partkin.rules.identification.dates import label_date
from partkin.rules.identification.labels import Labels, PlainRule
from partkin.rules.identification.named import Named, code
from partkin.rules.identification.readings import ScanError, in_words


def match_plain(text: str, labels: Labels, today: date, offset: int | None) -> tuple[Named, ...]:
    """What a text names by every label pattern that fits the whole of it.

    The text begins after `offset` characters of the raw scan; None gives no places.

    Raises ScanError where patterns fit, but no check characters or date with them.
    """
    named = []
    errors = []
    for rule, found in labels.fitting(text):
        try:
            named.append(_named(rule, found, today, offset))
        except ScanError as error:
            errors.append(error)
    if errors and not named:
        raise errors[0]
    return tuple(named)


def _named(rule: PlainRule, found: re.Match[str], today: date, offset: int | None) -> Named:
    if rule.scheme is not None:
        _verify(rule.scheme, rule.part, found, offset)
    groups = found.groupdict()
    written = groups.get("date")
    try:
        produced_on = label_date(written, today.year) if written else None
    except ValueError as error:
        sentence = f"{written} is no date on a label of {rule.part}: {error}."
        raise ScanError("unreadable", sentence, _place(offset, found.start("date"))) from error
    serial, lot = code(groups.get("serial"), "serial number"), code(groups.get("lot"), "lot")
    return Named(rule.part, serial, lot, produced_on)


def _verify(scheme: CheckScheme, part: str, found: re.Match[str], offset: int | None) -> None:
    text = found.string
    start, end = found.span("check")
    if start < 0:
        raise ScanError(
            "check-character-wrong", f"The label of {part} has no check character.", _place(offset, len(text) - 1)
        )
    try:
        scheme.verify(scheme.without_separators(text[:start] + text[end:]), text[start:end])
    except CheckCharacterWrong as wrong:
        sentence = f"The label of {part} has check character {wrong.found} where {wrong.expected} is expected."
        raise ScanError("check-character-wrong", sentence, _place(offset, start)) from wrong
    except ForeignCharacter as foreign:
        index = _index(text, foreign.character, start, end)
        sentence = f"The label of {part} has {in_words(foreign.character)}, which {scheme.name} cannot check."
        raise ScanError("unreadable", sentence, _place(offset, index)) from foreign
    except ValueError as error:
        raise ScanError(
            "unreadable", f"The label of {part} has the wrong length: {error}.", _place(offset, 0)
        ) from error


def _index(text: str, character: str, start: int, end: int) -> int:
    """Where a character first stands outside the check characters."""
    index = text.find(character, 0, start)
    return index if index >= 0 else text.index(character, end)


def _place(offset: int | None, index: int) -> int | None:
    return None if offset is None else offset + index + 1
